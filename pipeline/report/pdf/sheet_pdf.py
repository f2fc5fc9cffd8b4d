"""``report.pdf``: the sheet on paper, with the text and the order of ``report.html``, tagged for screen readers.

Pictures have a size at which they can be judged, so eight eggs fit one page, and more eggs take more pages.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.formatting import sentence_case
from pipeline.language.style import current_language
from pipeline.language.translation import gettext
from pipeline.report.pdf.block import Block, Description, Stroke, write_pdf
from pipeline.report.pdf.body_map import body_map_block
from pipeline.report.pdf.egg_grid import GUTTER, egg_rows
from pipeline.report.pdf.history import history_block
from pipeline.report.pdf.page_flow import WIDTH, PageFlow, section_blocks
from pipeline.report.pdf.recordings import recordings_blocks
from pipeline.report.pdf.sweep_plot import sweep_plot_block
from pipeline.report.pdf.text_style import BODY, GREEN, LEGEND, SMALL, TextStyle
from pipeline.report.pdf.verdict import verdict_blocks
from pipeline.report.sheet_content import Fact, SheetContent
from pipeline.report.sign_off import SheetSignature

__all__ = ["sheet_pdf"]

BODY_MAP_WIDTH = 96.0
RULE = Stroke()
HEADING = TextStyle(18, "serif")
SPECIES = TextStyle(10, "italic")
LABELLED = TextStyle(9, "bold")


def sheet_pdf(content: SheetContent, signature: SheetSignature | None = None) -> bytes:
    """The sheet as a PDF. The same content gives the same bytes."""
    labels = content.labels
    name = " · ".join(filter(None, (content.animal, content.date, content.headline, content.station)))
    flow = PageFlow(name, labels.page_caution)
    flow.add(_header(content))
    for block in verdict_blocks(content):
        flow.add(block)
    if signature is not None:
        flow.add(_signature(signature))
    flow.add(_facts(content.facts))
    sections: list[tuple[str, list[Block], str]] = []
    if content.uncounted:
        sections.append((labels.uncounted, egg_rows(content.uncounted, WIDTH), labels.uncounted_hint))
    if content.history:
        sections.append((content.history.title, [history_block(content.history, labels, WIDTH)], ""))
    if content.eggs:
        rows = egg_rows(content.eggs, WIDTH)
        sections.append((content.eggs_title, [*rows, _paragraph(content.legend, LEGEND)], labels.stage_lines))
        if content.sweep_plot is not None:
            sections.append(_sweep(content))
    sections.append((labels.recordings, recordings_blocks(content.clips, labels), ""))
    sections.append((labels.cautions, [_cautions(content.cautions)], ""))
    for title, parts, hint in sections:
        for block in section_blocks(title, parts, hint):
            flow.add(block)
    flow.add(_paragraph(content.footer, SMALL.muted, above=5))
    title = f"{content.animal}, {content.date}: {content.headline}"
    author = signature.name if signature and not signature.signed_sheet_link else content.station or "Clutchlight"
    return write_pdf(flow.finished(), Description(title, author, labels.document_type, current_language()))


def _paragraph(text: str, style: TextStyle, above: float = 0.0) -> Block:
    block = Block()
    block.height = block.paragraph(text, (0, above), WIDTH, style)
    return block


def _header(content: SheetContent) -> Block:
    """Who she is, and the boxes with the details of the exam."""
    block = Block(height=51)
    for y in (0, 2.4):
        block.line((0, y), (WIDTH, y), Stroke(GREEN, 1.2))
    details, right = Block(), WIDTH
    for label, value in reversed(content.exam_details):
        box, width = Block(), 14 + max(SMALL.width(label), LABELLED.width(value))
        right -= width
        box.box((0, 0), (width, 27))
        box.text(label, (7, 2.5), SMALL.muted)
        box.text(value, (7, 12.5), LABELLED)
        details.place(box, (right, 14))
    room = right - 12
    station = f"{content.station} · " if content.station else ""
    block.text(BODY.truncate(station + content.labels.document_type, room), (0, 7), BODY.muted)
    heading = Block(role="H1")
    heading.text(HEADING.truncate(content.animal, room), (0, 0), HEADING)
    block.place(heading, (0, 15.5))
    block.text(SPECIES.truncate(content.species, room), (0, 36), SPECIES)
    block.place(details, (0, 0))
    return block


def _signature(signature: SheetSignature) -> Block:
    """Who signed what, in a double frame, and what people changed."""
    block, inside = Block(), WIDTH - 16
    said = gettext(
        "Signed by {name}, {role}, {moment}: {count}.",
        name=signature.name,
        role=signature.role,
        moment=signature.signed_at,
        count=signature.signed_count,
    )
    y = block.paragraph(said, (8, 5), inside, BODY.bold)
    login = f"{sentence_case(signature.login)}. " if signature.login else ""
    record = gettext("In the record of all answers: {entry}.", entry=signature.chain)
    y = block.paragraph(f"{login}{record}", (8, y), inside, SMALL.muted)
    for change in signature.changes:
        y = block.paragraph(change, (8, y), inside, SMALL)
    for inset in (0.0, 2.2):
        block.box((inset, inset), (WIDTH - 2 * inset, y + 3 - 2 * inset), Stroke(GREEN, 0.8))
    block.height = y + 9
    return block


def _facts(facts: Sequence[Fact]) -> Block:
    """In columns of equal width, between two lines."""
    block = Block()
    block.line((0, 0), (WIDTH, 0), RULE)
    step, bottom = WIDTH / len(facts), 0.0
    for number, fact in enumerate(facts):
        x, width = step * number, step - 10
        block.text(fact.label, (x, 2.5), SMALL.muted)
        y = block.paragraph(sentence_case(fact.value), (x, 12), width, TextStyle(9.5, "bold"))
        bottom = max(bottom, block.paragraph(fact.detail, (x, y), width, BODY) if fact.detail else y)
    block.line((0, bottom + 3), (WIDTH, bottom + 3), RULE)
    block.height = bottom + 3
    return block


def _sweep(content: SheetContent) -> tuple[str, list[Block], str]:
    """Title, drawing and hint: when the eggs were in view and, on the right, where they are."""
    labels, plot = content.labels, content.sweep_plot
    assert plot is not None
    hint = gettext("bar: in view · tick: best frame · band: clear frames")
    if any(column.turns for panel in plot.panels for column in panel.columns):
        # The title says what a bar is; the caution about the map must not be cut off.
        hint = gettext("tick: best frame · band: clear frames · broken line: turn")
    if content.body_map is None:
        return labels.sweep, [sweep_plot_block(plot, WIDTH)], hint
    on_map = (
        gettext("map: from below, not to scale")
        if content.body_map.is_directed
        else gettext("map: from below, not to scale, ends may be swapped")
    )
    hint = f"{hint} · {on_map}"
    body, width = Block(), WIDTH - BODY_MAP_WIDTH - GUTTER
    sweep = sweep_plot_block(plot, width)
    placed = body_map_block(content.body_map, content.body_map_text, BODY_MAP_WIDTH)
    body.place(sweep, (0, 0))
    body.place(placed, (WIDTH - BODY_MAP_WIDTH, 0))
    below = body.paragraph(content.body_map_text, (0, sweep.height + 2), width, LEGEND)
    body.height = max(below, placed.height)
    return labels.sweep_and_map, [body], hint


def _cautions(cautions: Sequence[str]) -> Block:
    """In columns of equal width."""
    block, gap = Block(), 14.0
    step = (WIDTH + gap) / len(cautions)
    for number, caution in enumerate(cautions):
        bottom = block.paragraph(caution, (step * number, 0), step - gap, BODY)
        block.height = max(block.height, bottom)
    return block
