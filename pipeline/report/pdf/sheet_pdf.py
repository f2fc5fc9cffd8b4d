"""``report.pdf``: the sheet on one page of A4, in the words and the order of ``report.html``.

All but the eggs' pictures is measured first; the pictures take the room that is left, as large as holds all of them.
What one page cannot hold is told there and stands in ``report.html``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam_search import Exam
from pipeline.formatting import plural
from pipeline.report.export.result import ModelIdentity
from pipeline.report.pdf.body_map import draw_body_map
from pipeline.report.pdf.history import draw_history
from pipeline.report.pdf.page import A4, GREEN, MUTED, RED, RULE_COLOUR, TEXT_COLOUR, WHITE, PdfPage
from pipeline.report.pdf.sweep_plot import draw_sweep_plot
from pipeline.report.sheet import sheet_content
from pipeline.scan.clip_scan import ClipScan

__all__ = ["sheet_pdf"]

LEFT, RIGHT, TOP, BOTTOM = 31.0, A4[0] - 31.0, 24.0, A4[1] - 22.0
WIDTH = RIGHT - LEFT
BODY_PT, SMALL_PT, LEGEND_PT = 8.5, 7.5, 6.9  # points
MAX_FLAG_LINES = 14
MAX_CLIP_LINES = 12
MIN_EGGS_HEIGHT_PT = 105.0  # with less, the plot of the sweep makes way
GUTTER = 8.0  # between pictures
MAP_WIDTH = 96.0
# Of pictures: columns, and whether all lines stand below them or stage and size only. The first that holds all holds.
LAYOUTS = ((4, True), (5, True), (6, True), (4, False), (5, False), (6, False), (8, False), (10, False))

Section = Callable[[PdfPage, float], float]  # draws from a y down and gives back the y below


def sheet_pdf(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
) -> bytes:
    """The sheet as a PDF of one page; the same exam gives the same bytes."""
    content = sheet_content(exam, finding, scans, model, settings_sha256)
    page = PdfPage(f"{exam.animal}, {content['date']}: {content['headline']}", "Ultrasound egg sheet")

    def sweep(page: PdfPage, y: float) -> float:
        mapped = content["body_map"]
        hint = "bar: in view · tick: best frame · top band: clear frames"
        if mapped:
            hint += " · map: from below, not to scale"
            hint += "" if mapped.is_directed else ", ends may be swapped"
        below = _title(page, y, "When along the sweep, and where" if mapped else "When along the sweep", hint)
        room = WIDTH - MAP_WIDTH - GUTTER if mapped else WIDTH
        drawn = draw_sweep_plot(page, finding, scans, (LEFT, below), room)
        if drawn <= below:
            return y
        if mapped is None:
            return drawn
        end = draw_body_map(page, mapped, (RIGHT - MAP_WIDTH, below), MAP_WIDTH)
        # In words where there is room beside the map; all of them stand in report.html.
        if drawn + 1.22 * LEGEND_PT * len(page.wrap(content["body_map_text"], room, LEGEND_PT)) <= end:
            page.paragraph(content["body_map_text"], (LEFT, drawn + 2), room, LEGEND_PT, colour=MUTED)
        return max(drawn, end)

    def recordings(page: PdfPage, y: float) -> float:
        return _recordings(page, y, content["clips"])

    def cautions(page: PdfPage, y: float) -> float:
        return _cautions(page, y, content["cautions"])

    def no_sweep(page: PdfPage, y: float) -> float:
        return page.paragraph("When along the sweep: in report.html", (LEFT, y + 8), WIDTH, BODY_PT, "bold", MUTED)

    foot = (
        f"Model {model.name} ({model.sha256[:12]}), settings {settings_sha256[:12]}. The same recordings, model and "
        "settings give this same sheet."
    )
    foot_y = BOTTOM - 1.22 * SMALL_PT
    y = _facts(page, _verdict(page, _head(page, TOP, content), content), content)
    if content["history"]["sentences"] or content["history"]["rows"]:
        below = _title(page, y, content["history"]["title"])
        y = draw_history(page, content["history"], finding.history, (LEFT, below), WIDTH)
    after: list[Section] = [recordings, cautions]
    if content["eggs"]:
        room = foot_y - 4 - y - sum(section(PdfPage(), 0.0) for section in after)
        needed = sweep(PdfPage(), 0.0)
        after.insert(0, sweep if room - needed > MIN_EGGS_HEIGHT_PT else no_sweep)
        y = _eggs(page, y, content, room - after[0](PdfPage(), 0.0))
    for section in after:
        y = section(page, y)
    page.text(page.truncate(foot, WIDTH, SMALL_PT), (LEFT, foot_y), SMALL_PT, colour=MUTED)
    return page.finish()


def _title(page: PdfPage, y: float, words: str, hint: str = "") -> float:
    y += 8
    end = page.text(words, (LEFT, y), 10.5, "serif", GREEN)
    page.text(hint, (end + 8, y + 2), SMALL_PT, colour=MUTED)
    page.line((LEFT, y + 13.5), (RIGHT, y + 13.5))
    return y + 17


def _head(page: PdfPage, y: float, content: Mapping[str, Any]) -> float:
    page.line((LEFT, y), (RIGHT, y), GREEN, 1.2)
    page.line((LEFT, y + 2.4), (RIGHT, y + 2.4), GREEN, 1.2)
    y += 8
    right = RIGHT
    for label, value in reversed(content["exam_details"]):
        width = 14 + max(page.text_width(label, SMALL_PT), page.text_width(value, 9, "bold"))
        right -= width
        page.box((right, y + 6), (width, 27))
        page.text(label, (right + 7, y + 8.5), SMALL_PT, colour=MUTED)
        page.text(value, (right + 7, y + 18.5), 9, "bold")
    exam, room = content["exam"], right - LEFT - 12
    page.text("Ultrasound egg sheet", (LEFT, y - 1), BODY_PT, colour=MUTED)
    page.text(page.truncate(exam.animal, room, 18, "serif"), (LEFT, y + 7.5), 18, "serif")
    species = exam.species or "species not told"
    page.text(page.truncate(species, room, 10, "italic"), (LEFT, y + 28), 10, "italic")
    return y + 43


def _verdict(page: PdfPage, y: float, content: Mapping[str, Any]) -> float:
    page.line((LEFT, y), (RIGHT, y), TEXT_COLOUR, 2)
    y += 6
    verdict, half = content["verdict"], 0.45 * WIDTH
    if verdict["figure"].isdecimal():
        x = page.text(verdict["figure"], (LEFT, y - 9), 50, "serif", GREEN) + 12
        below = y + 2
    else:
        page.text(verdict["figure"], (LEFT, y - 4), 26, "serif", GREEN)
        x, below = LEFT, y + 29
    room = LEFT + half - x
    if verdict["label"]:
        below = page.paragraph(f"{verdict['label']}; {verdict['range']}", (x, below), room, 10.5, "bold")
    below = page.paragraph(verdict["explanation"], (x, below + 1), room, BODY_PT, colour=MUTED)
    return max(below, y + 46, _flags(page, y, LEFT + half + 20, content["flags"])) + 5


def _flags(page: PdfPage, y: float, x: float, flags: Sequence[Any]) -> float:
    page.text("Who should look", (x, y - 2), 10.5, "serif", GREEN)
    page.line((x, y + 11.5), (RIGHT, y + 11.5))
    y += 15
    if not flags:
        return page.paragraph("Nothing was flagged. The decision stays with the vet.", (x, y), RIGHT - x, BODY_PT)
    label_room, drawn = 50.0, 0
    for number, flag in enumerate(flags):
        words = f"{flag.reason} {flag.advice}".rstrip()
        lines = page.wrap(words, RIGHT - x - label_room, BODY_PT, max_lines=4)
        if number and drawn + len(lines) > MAX_FLAG_LINES:
            return page.paragraph(f"and {len(flags) - number} more, in report.html", (x, y), RIGHT - x, BODY_PT, "bold")
        urgent, note = flag.severity == "vet today", flag.severity == "note"
        width = page.text_width(flag.severity, SMALL_PT, "bold") + 8
        fill, dash = (RED if urgent else None), ((1.0, 1.5) if note else None)
        page.box((x, y), (width, 10.5), fill, RED if urgent else TEXT_COLOUR, dash=dash)
        page.text(
            flag.severity, (x + 4, y + 0.5), SMALL_PT, "plain" if note else "bold", WHITE if urgent else TEXT_COLOUR
        )
        y = page.paragraph(words, (x + label_room, y), RIGHT - x - label_room, BODY_PT, max_lines=4) + 2.5
        drawn += len(lines)
    return y


def _facts(page: PdfPage, y: float, content: Mapping[str, Any]) -> float:
    facts = [("How well she was scanned", content["windows"], content["scan_text"])]
    if content["scanned"]:
        facts.append(("Stage", content["stage"], content["stage_mix"]))
        if content["eggs"]:
            facts.append((content["size_label"], *content["sizes"]))
        facts.append(("Follicles", content["follicles"], content["follicles_interval"]))
    page.line((LEFT, y), (RIGHT, y))
    step, below = WIDTH / len(facts), y
    for number, (label, first, second) in enumerate(facts):
        x, room = LEFT + step * number, step - 10
        page.text(label, (x, y + 2.5), SMALL_PT, colour=MUTED)
        under = page.paragraph(first[:1].upper() + first[1:], (x, y + 12), room, 9.5, "bold")
        below = max(below, page.paragraph(second, (x, under), room, BODY_PT) if second else under)
    page.line((LEFT, below + 3), (RIGHT, below + 3))
    return below + 3


def _eggs(page: PdfPage, y: float, content: Mapping[str, Any], room: float) -> float:
    """Pictures as large as the room allows for all of them, else as many as it holds."""
    eggs = content["eggs"]
    hint = "full line: calcified · dashed: thin-shelled · dotted: follicle"
    top = _title(page, y, f"{content['eggs_title']} at its best", hint)
    # Where a cell tells neither how sure an egg is nor its signs, the key need not either.
    keys = {whole: content["full_legend"] if whole else content["legend"] for whole in (True, False)}
    left = {
        whole: room - (top - y) - 1.22 * LEGEND_PT * len(page.wrap(keys[whole], WIDTH, LEGEND_PT)) for whole in keys
    }
    held = {one: one[0] * int(left[one[1]] / _cell_height(page, *one, eggs)) for one in LAYOUTS}
    columns, whole = next((one for one in LAYOUTS if held[one] >= len(eggs)), LAYOUTS[-1])
    width, height = _picture_width(columns), _cell_height(page, columns, whole, eggs)
    shown = eggs
    if held[columns, whole] < len(eggs):
        line = 1.22 * SMALL_PT  # is needed to tell it
        shown = eggs[: columns * max(0, int((left[whole] - line) / height))]
    for number, egg in enumerate(shown):
        row, column = divmod(number, columns)
        at = LEFT + column * (width + GUTTER), top + row * height
        _egg(page, at, width, egg, whole)
    y = top + height * -(-len(shown) // columns)
    if len(shown) < len(eggs):
        y = page.paragraph(f"and {len(eggs) - len(shown)} more, in report.html", (LEFT, y), WIDTH, SMALL_PT, "bold")
    return page.paragraph(keys[whole], (LEFT, y), WIDTH, LEGEND_PT, colour=MUTED)


def _picture_width(columns: int) -> float:
    return (WIDTH - GUTTER * (columns - 1)) / columns


def _cell_height(page: PdfPage, columns: int, whole: bool, eggs: Sequence[Mapping[str, Any]]) -> float:
    """Picture, the lines below it, and a gap."""
    width = _picture_width(columns)
    if not whole:
        return 0.75 * width + 20.0
    signs = max(len(page.wrap(egg["signs"], width, SMALL_PT, max_lines=3)) if egg["signs"] else 0 for egg in eggs)
    lines = 2 + signs + max(len(page.wrap(egg["location"], width, SMALL_PT, max_lines=2)) for egg in eggs)
    return 0.75 * width + 17.0 + 1.22 * SMALL_PT * lines


def _egg(page: PdfPage, at: tuple[float, float], width: float, egg: Mapping[str, Any], whole: bool) -> None:
    (x, y), height = at, 0.75 * width
    if egg["jpeg"]:
        page.picture(egg["jpeg"], at, (width, height))
    else:
        page.box(at, (width, height), colour=MUTED, dash=(2.0, 2.0))
        page.text(
            "no picture", (x + width / 2, y + height / 2 - 5), min(SMALL_PT, width / 6), colour=MUTED, align="middle"
        )
    y += height + 1
    if not whole:
        size = min(6.5, width / 7.2)
        end = page.text(f"{egg['identity']} ", (x, y), size, "bold")
        page.text(page.truncate(egg["stage"], x + width + 6 - end, size), (end, y), size)
        page.text(page.truncate(egg["short_size"], width + 6, size), (x, y + 1.2 * size), size)
        return
    end = page.text(f"{egg['identity']} ", (x, y - 1), 10, "serif")
    name = f"{egg['stage']} {egg['stage_percent']}"
    page.text(page.truncate(name, x + width - end, BODY_PT, "bold"), (end, y + 0.5), BODY_PT, "bold")
    y += 11.5
    for words in (egg["size"], egg["shape_depth_confidence"]):
        page.text(page.truncate(words, width, SMALL_PT), (x, y), SMALL_PT)
        y += 1.2 * SMALL_PT
    if egg["signs"]:
        y = page.paragraph(egg["signs"], (x, y), width, SMALL_PT, max_lines=3)
    page.paragraph(egg["location"], (x, y), width, SMALL_PT, colour=MUTED, max_lines=2)


def _recordings(page: PdfPage, y: float, clips: Sequence[Mapping[str, str]]) -> float:
    y = _title(page, y, "Recordings")
    if not clips:
        return page.paragraph("This exam has no recordings.", (LEFT, y), WIDTH, BODY_PT)
    columns = (  # label, key, left edge, width
        ("Clip", "file", 0.0, 120.0), ("Window", "window", 126.0, 50.0), ("Length", "length", 180.0, 44.0),
        ("Frames used", "used", 230.0, 66.0), ("Scale", "scale", 302.0, 66.0),
        ("Outcome", "outcome", 374.0, WIDTH - 374.0),
    )  # fmt: skip
    for label, _, x, _ in columns:
        page.text(label, (LEFT + x, y - 1), SMALL_PT, colour=MUTED)
    y += 9
    drawn = 0
    for number, clip in enumerate(clips):
        cells = []
        for _, key, x, room in columns:
            words = f"{clip[key]}: {clip['reason']}" if key == "outcome" and clip["reason"] else clip[key]
            cells.append((x, key, page.wrap(words, room, SMALL_PT, "bold" if key == "file" else "plain", max_lines=3)))
        height = max(len(lines) for _, _, lines in cells)
        if number and drawn + height > MAX_CLIP_LINES:
            more = f"and {plural(len(clips) - number, 'more clip')}, in report.html"
            return page.paragraph(more, (LEFT, y), WIDTH, SMALL_PT, "bold")
        for x, key, lines in cells:
            for index, line in enumerate(lines):
                at = LEFT + x, y + 1.22 * SMALL_PT * index
                page.text(line, at, SMALL_PT, "bold" if key == "file" else "plain")
        y += 1.22 * SMALL_PT * height + 2
        page.line((LEFT, y - 1), (RIGHT, y - 1), RULE_COLOUR, 0.5)
        drawn += height
    return y


def _cautions(page: PdfPage, y: float, cautions: Sequence[str]) -> float:
    y = _title(page, y, "Read this with care")
    step = (WIDTH + 14) / len(cautions)
    return max(
        page.paragraph(words, (LEFT + step * number, y), step - 14, BODY_PT) for number, words in enumerate(cautions)
    )
