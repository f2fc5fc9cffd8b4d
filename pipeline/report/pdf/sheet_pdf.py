"""``report.pdf``: the sheet on one A4 page, with the text and the order of ``report.html``.

Everything but the eggs' pictures is laid out first. The pictures get the height that is left, and are as large as that
allows for all of them. What one page cannot hold is left out with a note, and is in ``report.html``.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.estimate.results import Flag
from pipeline.formatting import plural
from pipeline.report.pdf.block import A4, Block, Stroke, one_page_pdf
from pipeline.report.pdf.body_map import body_map_block
from pipeline.report.pdf.egg_grid import GUTTER, egg_grid_block
from pipeline.report.pdf.history import history_block
from pipeline.report.pdf.sweep_plot import sweep_plot_block
from pipeline.report.pdf.text_style import BODY, GREEN, LEGEND, RED, RULE_COLOUR, SMALL, TITLE, WHITE, TextStyle
from pipeline.report.sheet_content import Fact, SheetContent, SheetLabels, Verdict
from pipeline.report.sheet_entries import ClipEntry

__all__ = ["sheet_pdf"]

LEFT, TOP, BOTTOM = 31.0, 24.0, A4[1] - 22.0  # margins of the page
WIDTH = A4[0] - 2 * LEFT
TITLE_HEIGHT = 25.0
MAX_FLAG_LINES = 14
MAX_CLIP_LINES = 12
MIN_EGGS_HEIGHT = 105.0  # with less left for the eggs' pictures, the plot of the sweep is left out
BODY_MAP_WIDTH = 96.0
RULE = Stroke()
HEADING = TextStyle(18, "serif")
SPECIES = TextStyle(10, "italic")
LABELLED = TextStyle(9, "bold")


def sheet_pdf(content: SheetContent) -> bytes:
    """The sheet as a PDF of one page. The same content gives the same bytes."""
    labels = content.labels
    above = [_header(content), _verdict(content), _facts(content.facts)]
    if content.history:
        history = history_block(content.history, labels, WIDTH)
        above.append(_section(content.history.title, history))
    below = [
        _section(labels.recordings, _recordings(content.clips, labels)),
        _section(labels.cautions, _cautions(content.cautions)),
    ]
    footer_y = BOTTOM - SMALL.leading
    if content.eggs:
        room = footer_y - 4 - TOP - sum(block.height for block in (*above, *below))
        sweep = _sweep(content)
        if room - sweep.height <= MIN_EGGS_HEIGHT:
            sweep = _sweep_note(labels)
        eggs = egg_grid_block(content.eggs, content.legends, WIDTH, room - sweep.height - TITLE_HEIGHT)
        above += [_section(content.eggs_title, eggs, labels.stage_lines), sweep]

    page, y = Block(height=A4[1]), TOP
    for block in (*above, *below):
        page.place(block, (LEFT, y))
        y += block.height
    page.text(SMALL.truncate(content.footer, WIDTH), (LEFT, footer_y), SMALL.muted)
    return one_page_pdf(page, f"{content.animal}, {content.date}: {content.headline}", labels.document_type)


def _section(title: str, body: Block, hint: str = "") -> Block:
    """A title with a line below it, and the body."""
    block = Block(height=TITLE_HEIGHT + body.height)
    end = block.text(title, (0, 8), TITLE)
    block.text(SMALL.truncate(hint, WIDTH - end - 8), (end + 8, 10), SMALL.muted)
    block.line((0, 21.5), (WIDTH, 21.5), RULE)
    block.place(body, (0, TITLE_HEIGHT))
    return block


def _header(content: SheetContent) -> Block:
    """Who she is, and the boxes with the details of the exam."""
    block = Block(height=51)
    for y in (0, 2.4):
        block.line((0, y), (WIDTH, y), Stroke(GREEN, 1.2))
    right = WIDTH
    for label, value in reversed(content.exam_details):
        width = 14 + max(SMALL.width(label), LABELLED.width(value))
        right -= width
        block.box((right, 14), (width, 27))
        block.text(label, (right + 7, 16.5), SMALL.muted)
        block.text(value, (right + 7, 26.5), LABELLED)
    room = right - 12
    block.text(content.labels.document_type, (0, 7), BODY.muted)
    block.text(HEADING.truncate(content.animal, room), (0, 15.5), HEADING)
    block.text(SPECIES.truncate(content.species, room), (0, 36), SPECIES)
    return block


def _verdict(content: SheetContent) -> Block:
    """The count on the left, what to do on the right."""
    block, left_width = Block(), 0.45 * WIDTH
    block.line((0, 0), (WIDTH, 0), Stroke(weight=2))
    count, flags = _count(content.verdict, left_width), _flags(content.flags, content.labels, 0.55 * WIDTH - 20)
    block.place(count, (0, 6))
    block.place(flags, (left_width + 20, 6))
    block.height = 6 + max(count.height, flags.height, 46) + 5
    return block


def _count(verdict: Verdict, width: float) -> Block:
    block = Block()
    if verdict.is_number:
        x, y = block.text(verdict.figure, (0, -9), TextStyle(50, "serif", GREEN)) + 12, 2.0
    else:
        block.text(verdict.figure, (0, -4), TextStyle(26, "serif", GREEN))
        x, y = 0.0, 29.0
    if verdict.label:
        y = block.paragraph(f"{verdict.label}; {verdict.range}", (x, y), width - x, TextStyle(10.5, "bold"))
    block.height = block.paragraph(verdict.explanation, (x, y + 1), width - x, BODY.muted)
    return block


def _flags(flags: Sequence[Flag], labels: SheetLabels, width: float) -> Block:
    block = Block()
    block.text(labels.actions, (0, -2), TITLE)
    block.line((0, 11.5), (width, 11.5), RULE)
    y = 15.0
    if not flags:
        block.height = block.paragraph(labels.no_flags, (0, y), width, BODY)
        return block
    x, lines_drawn = 50.0, 0
    for number, flag in enumerate(flags):
        text = f"{flag.reason} {flag.advice}".rstrip()
        lines = len(BODY.wrap(text, width - x, max_lines=4))
        if number and lines_drawn + lines > MAX_FLAG_LINES:
            y = block.paragraph(f"and {len(flags) - number} more, see report.html", (0, y), width, BODY.bold)
            break
        _severity_label(block, flag, y)
        y = block.paragraph(text, (x, y), width - x, BODY, max_lines=4) + 2.5
        lines_drawn += lines
    block.height = y
    return block


def _severity_label(block: Block, flag: Flag, y: float) -> None:
    """White on red for the vet today, boxed for a check, dotted for a note."""
    width = SMALL.bold.width(flag.severity) + 8
    if flag.severity == "vet today":
        style = TextStyle(SMALL.size, "bold", WHITE)
        block.box((0, y), (width, 10.5), Stroke(RED), RED)
    elif flag.severity == "check":
        style = SMALL.bold
        block.box((0, y), (width, 10.5), RULE)
    else:
        style = SMALL
        block.box((0, y), (width, 10.5), Stroke(dash=(1.0, 1.5)))
    block.text(flag.severity, (4, y + 0.5), style)


def _facts(facts: Sequence[Fact]) -> Block:
    """In columns of equal width, between two lines."""
    block = Block()
    block.line((0, 0), (WIDTH, 0), RULE)
    step, bottom = WIDTH / len(facts), 0.0
    for number, fact in enumerate(facts):
        x, width = step * number, step - 10
        block.text(fact.label, (x, 2.5), SMALL.muted)
        value = fact.value[:1].upper() + fact.value[1:]
        y = block.paragraph(value, (x, 12), width, TextStyle(9.5, "bold"))
        bottom = max(bottom, block.paragraph(fact.detail, (x, y), width, BODY) if fact.detail else y)
    block.line((0, bottom + 3), (WIDTH, bottom + 3), RULE)
    block.height = bottom + 3
    return block


def _sweep(content: SheetContent) -> Block:
    """When the eggs were in view and, on the right, where they are. Empty if there is nothing to draw."""
    if content.sweep_plot is None:
        return Block()
    labels = content.labels
    hint = "bar: in view · tick: best frame · band: clear frames"
    if any(column.turns for panel in content.sweep_plot.panels for column in panel.columns):
        # The title says what a bar is; the caution about the map must not be cut off.
        hint = "tick: best frame · band: clear frames · broken line: turn"
    if content.body_map is None:
        return _section(labels.sweep, sweep_plot_block(content.sweep_plot, WIDTH), hint)
    hint += " · map: from below, not to scale"
    hint += "" if content.body_map.is_directed else ", ends may be swapped"
    body, width = Block(), WIDTH - BODY_MAP_WIDTH - GUTTER
    sweep = sweep_plot_block(content.sweep_plot, width)
    placed = body_map_block(content.body_map, BODY_MAP_WIDTH)
    body.place(sweep, (0, 0))
    body.place(placed, (WIDTH - BODY_MAP_WIDTH, 0))
    body.height = max(sweep.height, placed.height)
    # As text too, if there is space below the plot. report.html always has it.
    if sweep.height + LEGEND.height(content.body_map_text, width) <= placed.height:
        body.paragraph(content.body_map_text, (0, sweep.height + 2), width, LEGEND)
    return _section(f"{labels.sweep}, and where", body, hint)


def _sweep_note(labels: SheetLabels) -> Block:
    block = Block()
    block.height = block.paragraph(f"{labels.sweep}: see report.html", (0, 8), WIDTH, BODY.bold.muted)
    return block


def _recordings(clips: Sequence[ClipEntry], labels: SheetLabels) -> Block:
    block = Block()
    if not clips:
        block.height = block.paragraph(labels.no_recordings, (0, 0), WIDTH, BODY)
        return block
    heads = ("Clip", "Window", "Length", "Frames used", "Scale", "Outcome")
    columns = ((0.0, 120.0), (126.0, 50.0), (180.0, 44.0), (230.0, 66.0), (302.0, 66.0), (374.0, WIDTH - 374.0))
    for head, (x, _) in zip(heads, columns, strict=True):
        block.text(head, (x, -1), SMALL.muted)
    y, lines_drawn = 9.0, 0
    for number, clip in enumerate(clips):
        outcome = f"{clip.outcome_label} {clip.reason}" if clip.reason else clip.outcome
        cells = (clip.file, clip.window, clip.length, clip.used, clip.scale, outcome)
        styles = (SMALL.bold, *[SMALL] * 5)
        wrapped = [
            style.wrap(cell, width, max_lines=3) for cell, style, (_, width) in zip(cells, styles, columns, strict=True)
        ]
        lines = max(map(len, wrapped))
        if number and lines_drawn + lines > MAX_CLIP_LINES:
            more = f"and {plural(len(clips) - number, 'more clip')}, see report.html"
            y = block.paragraph(more, (0, y), WIDTH, SMALL.bold)
            break
        for cell_lines, style, (x, _) in zip(wrapped, styles, columns, strict=True):
            for index, line in enumerate(cell_lines):
                block.text(line, (x, y + SMALL.leading * index), style)
        y += SMALL.leading * lines + 2
        block.line((0, y - 1), (WIDTH, y - 1), Stroke(RULE_COLOUR, 0.5))
        lines_drawn += lines
    block.height = y
    return block


def _cautions(cautions: Sequence[str]) -> Block:
    """In columns of equal width."""
    block, gap = Block(), 14.0
    step = (WIDTH + gap) / len(cautions)
    for number, caution in enumerate(cautions):
        bottom = block.paragraph(caution, (step * number, 0), step - gap, BODY)
        block.height = max(block.height, bottom)
    return block
