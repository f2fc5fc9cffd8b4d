"""``report.pdf``: the sheet on one page of A4, in the words and the order of ``report.html``.

All but the eggs' pictures is measured first; the pictures take the room that is left, as large as holds all of them.
What one page cannot hold is told there and stands in ``report.html``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pipeline.estimate.finding import ExamFinding
from pipeline.exams.exam_search import Exam
from pipeline.formatting import plural
from pipeline.report.export.result import ModelIdentity
from pipeline.report.pdf.history import draw_history
from pipeline.report.pdf.map import draw_map
from pipeline.report.pdf.paper import A4, INK, MARSH, RED, RULE, SOFT, WHITE, Paper
from pipeline.report.pdf.sweep import draw_sweep
from pipeline.report.sheet import sheet_content
from pipeline.scan.clip_scan import ClipScan

__all__ = ["sheet_pdf"]

LEFT, RIGHT, TOP, BOTTOM = 31.0, A4[0] - 31.0, 24.0, A4[1] - 22.0
WIDTH = RIGHT - LEFT
BODY, SMALL, KEY = 8.5, 7.5, 6.9  # points
MOST_FLAG_LINES = 14
MOST_CLIP_LINES = 12
ROOM_FOR_EGGS = 105.0  # with less, the plot of the sweep makes way
GUTTER = 8.0  # between pictures
MAP_WIDTH = 96.0
# Of pictures: columns, and whether all lines stand below them or stage and size only. The first that holds all holds.
LAYOUTS = ((4, True), (5, True), (6, True), (4, False), (5, False), (6, False), (8, False), (10, False))

Section = Callable[[Paper, float], float]  # draws from a y down and gives back the y below


def sheet_pdf(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
) -> bytes:
    """The sheet as a PDF of one page; the same exam gives the same bytes."""
    content = sheet_content(exam, finding, scans, model, settings_sha256)
    paper = Paper(f"{exam.animal}, {content['date']}: {content['headline']}", "Ultrasound egg sheet")

    def sweep(paper: Paper, y: float) -> float:
        mapped = content["map"]
        hint = "bar: in view · tick: best frame · top band: clear frames"
        if mapped:
            hint += " · map: from below, not to scale"
            hint += "" if mapped.directed else ", ends may be swapped"
        below = _title(paper, y, "When along the sweep, and where" if mapped else "When along the sweep", hint)
        room = WIDTH - MAP_WIDTH - GUTTER if mapped else WIDTH
        drawn = draw_sweep(paper, finding, scans, (LEFT, below), room)
        if drawn <= below:
            return y
        if mapped is None:
            return drawn
        end = draw_map(paper, mapped, (RIGHT - MAP_WIDTH, below), MAP_WIDTH)
        # In words where there is room beside the map; all of them stand in report.html.
        if drawn + 1.22 * KEY * len(paper.lines(content["map_words"], room, KEY)) <= end:
            paper.paragraph(content["map_words"], (LEFT, drawn + 2), room, KEY, ink=SOFT)
        return max(drawn, end)

    def recordings(paper: Paper, y: float) -> float:
        return _recordings(paper, y, content["clips"])

    def cautions(paper: Paper, y: float) -> float:
        return _cautions(paper, y, content["cautions"])

    def no_sweep(paper: Paper, y: float) -> float:
        return paper.paragraph("When along the sweep: in report.html", (LEFT, y + 8), WIDTH, BODY, "bold", SOFT)

    foot = (
        f"Model {model.name} ({model.sha256[:12]}), settings {settings_sha256[:12]}. The same recordings, model and "
        "settings give this same sheet."
    )
    foot_y = BOTTOM - 1.22 * SMALL
    y = _facts(paper, _verdict(paper, _head(paper, TOP, content), content), content)
    if content["history"]["sentences"] or content["history"]["rows"]:
        below = _title(paper, y, content["history"]["title"])
        y = draw_history(paper, content["history"], finding.history, (LEFT, below), WIDTH)
    after: list[Section] = [recordings, cautions]
    if content["eggs"]:
        room = foot_y - 4 - y - sum(section(Paper(), 0.0) for section in after)
        needed = sweep(Paper(), 0.0)
        after.insert(0, sweep if room - needed > ROOM_FOR_EGGS else no_sweep)
        y = _eggs(paper, y, content, room - after[0](Paper(), 0.0))
    for section in after:
        y = section(paper, y)
    paper.text(paper.cut(foot, WIDTH, SMALL), (LEFT, foot_y), SMALL, ink=SOFT)
    return paper.finished()


def _title(paper: Paper, y: float, words: str, hint: str = "") -> float:
    y += 8
    end = paper.text(words, (LEFT, y), 10.5, "serif", MARSH)
    paper.text(hint, (end + 8, y + 2), SMALL, ink=SOFT)
    paper.line((LEFT, y + 13.5), (RIGHT, y + 13.5))
    return y + 17


def _head(paper: Paper, y: float, content: Mapping[str, Any]) -> float:
    paper.line((LEFT, y), (RIGHT, y), MARSH, 1.2)
    paper.line((LEFT, y + 2.4), (RIGHT, y + 2.4), MARSH, 1.2)
    y += 8
    right = RIGHT
    for label, value in reversed(content["form"]):
        width = 14 + max(paper.width(label, SMALL), paper.width(value, 9, "bold"))
        right -= width
        paper.box((right, y + 6), (width, 27))
        paper.text(label, (right + 7, y + 8.5), SMALL, ink=SOFT)
        paper.text(value, (right + 7, y + 18.5), 9, "bold")
    exam, room = content["exam"], right - LEFT - 12
    paper.text("Ultrasound egg sheet", (LEFT, y - 1), BODY, ink=SOFT)
    paper.text(paper.cut(exam.animal, room, 18, "serif"), (LEFT, y + 7.5), 18, "serif")
    species = exam.species or "species not told"
    paper.text(paper.cut(species, room, 10, "slanted"), (LEFT, y + 28), 10, "slanted")
    return y + 43


def _verdict(paper: Paper, y: float, content: Mapping[str, Any]) -> float:
    paper.line((LEFT, y), (RIGHT, y), INK, 2)
    y += 6
    verdict, half = content["verdict"], 0.45 * WIDTH
    if verdict["figure"].isdecimal():
        x = paper.text(verdict["figure"], (LEFT, y - 9), 50, "serif", MARSH) + 12
        below = y + 2
    else:
        paper.text(verdict["figure"], (LEFT, y - 4), 26, "serif", MARSH)
        x, below = LEFT, y + 29
    room = LEFT + half - x
    if verdict["says"]:
        below = paper.paragraph(f"{verdict['says']}; {verdict['range']}", (x, below), room, 10.5, "bold")
    below = paper.paragraph(verdict["about"], (x, below + 1), room, BODY, ink=SOFT)
    return max(below, y + 46, _flags(paper, y, LEFT + half + 20, content["flags"])) + 5


def _flags(paper: Paper, y: float, x: float, flags: Sequence[Any]) -> float:
    paper.text("Who should look", (x, y - 2), 10.5, "serif", MARSH)
    paper.line((x, y + 11.5), (RIGHT, y + 11.5))
    y += 15
    if not flags:
        return paper.paragraph("Nothing was flagged. The decision stays with the vet.", (x, y), RIGHT - x, BODY)
    label_room, drawn = 50.0, 0
    for number, flag in enumerate(flags):
        words = f"{flag.reason} {flag.advice}".rstrip()
        lines = paper.lines(words, RIGHT - x - label_room, BODY, most=4)
        if number and drawn + len(lines) > MOST_FLAG_LINES:
            return paper.paragraph(f"and {len(flags) - number} more, in report.html", (x, y), RIGHT - x, BODY, "bold")
        urgent, note = flag.severity == "vet today", flag.severity == "note"
        width = paper.width(flag.severity, SMALL, "bold") + 8
        fill, dash = (RED if urgent else None), ((1.0, 1.5) if note else None)
        paper.box((x, y), (width, 10.5), fill, RED if urgent else INK, dash=dash)
        paper.text(flag.severity, (x + 4, y + 0.5), SMALL, "plain" if note else "bold", WHITE if urgent else INK)
        y = paper.paragraph(words, (x + label_room, y), RIGHT - x - label_room, BODY, most=4) + 2.5
        drawn += len(lines)
    return y


def _facts(paper: Paper, y: float, content: Mapping[str, Any]) -> float:
    facts = [("How well she was scanned", content["windows"], content["scan_words"])]
    if content["scanned"]:
        facts.append(("Stage", content["stage"], content["stage_mix"]))
        if content["eggs"]:
            facts.append((content["size_label"], *content["sizes"]))
        facts.append(("Follicles", content["follicles"], content["follicles_likely"]))
    paper.line((LEFT, y), (RIGHT, y))
    step, below = WIDTH / len(facts), y
    for number, (label, first, second) in enumerate(facts):
        x, room = LEFT + step * number, step - 10
        paper.text(label, (x, y + 2.5), SMALL, ink=SOFT)
        under = paper.paragraph(first[:1].upper() + first[1:], (x, y + 12), room, 9.5, "bold")
        below = max(below, paper.paragraph(second, (x, under), room, BODY) if second else under)
    paper.line((LEFT, below + 3), (RIGHT, below + 3))
    return below + 3


def _eggs(paper: Paper, y: float, content: Mapping[str, Any], room: float) -> float:
    """Pictures as large as the room allows for all of them, else as many as it holds."""
    eggs = content["eggs"]
    hint = "full line: calcified · dashed: thin-shelled · dotted: follicle"
    top = _title(paper, y, f"{content['eggs_title']} at its best", hint)
    # Where a cell tells neither how sure an egg is nor its signs, the key need not either.
    keys = {whole: content["key_in_full"] if whole else content["key"] for whole in (True, False)}
    left = {whole: room - (top - y) - 1.22 * KEY * len(paper.lines(keys[whole], WIDTH, KEY)) for whole in keys}
    held = {one: one[0] * int(left[one[1]] / _cell_height(paper, *one, eggs)) for one in LAYOUTS}
    columns, whole = next((one for one in LAYOUTS if held[one] >= len(eggs)), LAYOUTS[-1])
    width, height = _picture_width(columns), _cell_height(paper, columns, whole, eggs)
    shown = eggs
    if held[columns, whole] < len(eggs):
        line = 1.22 * SMALL  # is needed to tell it
        shown = eggs[: columns * max(0, int((left[whole] - line) / height))]
    for number, egg in enumerate(shown):
        row, column = divmod(number, columns)
        at = LEFT + column * (width + GUTTER), top + row * height
        _egg(paper, at, width, egg, whole)
    y = top + height * -(-len(shown) // columns)
    if len(shown) < len(eggs):
        y = paper.paragraph(f"and {len(eggs) - len(shown)} more, in report.html", (LEFT, y), WIDTH, SMALL, "bold")
    return paper.paragraph(keys[whole], (LEFT, y), WIDTH, KEY, ink=SOFT)


def _picture_width(columns: int) -> float:
    return (WIDTH - GUTTER * (columns - 1)) / columns


def _cell_height(paper: Paper, columns: int, whole: bool, eggs: Sequence[Mapping[str, Any]]) -> float:
    """Picture, the lines below it, and a gap."""
    width = _picture_width(columns)
    if not whole:
        return 0.75 * width + 20.0
    signs = max(len(paper.lines(egg["signs"], width, SMALL, most=3)) if egg["signs"] else 0 for egg in eggs)
    lines = 2 + signs + max(len(paper.lines(egg["where"], width, SMALL, most=2)) for egg in eggs)
    return 0.75 * width + 17.0 + 1.22 * SMALL * lines


def _egg(paper: Paper, at: tuple[float, float], width: float, egg: Mapping[str, Any], whole: bool) -> None:
    (x, y), height = at, 0.75 * width
    if egg["jpeg"]:
        paper.picture(egg["jpeg"], at, (width, height))
    else:
        paper.box(at, (width, height), ink=SOFT, dash=(2.0, 2.0))
        paper.text("no picture", (x + width / 2, y + height / 2 - 5), min(SMALL, width / 6), ink=SOFT, align="middle")
    y += height + 1
    if not whole:
        size = min(6.5, width / 7.2)
        end = paper.text(f"{egg['identity']} ", (x, y), size, "bold")
        paper.text(paper.cut(egg["stage"], x + width + 6 - end, size), (end, y), size)
        paper.text(paper.cut(egg["size_in_short"], width + 6, size), (x, y + 1.2 * size), size)
        return
    end = paper.text(f"{egg['identity']} ", (x, y - 1), 10, "serif")
    name = f"{egg['stage']} {egg['stage_sure']}"
    paper.text(paper.cut(name, x + width - end, BODY, "bold"), (end, y + 0.5), BODY, "bold")
    y += 11.5
    for words in (egg["size"], egg["depth_and_sure"]):
        paper.text(paper.cut(words, width, SMALL), (x, y), SMALL)
        y += 1.2 * SMALL
    if egg["signs"]:
        y = paper.paragraph(egg["signs"], (x, y), width, SMALL, most=3)
    paper.paragraph(egg["where"], (x, y), width, SMALL, ink=SOFT, most=2)


def _recordings(paper: Paper, y: float, clips: Sequence[Mapping[str, str]]) -> float:
    y = _title(paper, y, "Recordings")
    if not clips:
        return paper.paragraph("This exam has no recordings.", (LEFT, y), WIDTH, BODY)
    columns = (  # label, key, left edge, width
        ("Clip", "file", 0.0, 120.0), ("Window", "window", 126.0, 50.0), ("Length", "length", 180.0, 44.0),
        ("Frames used", "used", 230.0, 66.0), ("Scale", "scale", 302.0, 66.0),
        ("Outcome", "outcome", 374.0, WIDTH - 374.0),
    )  # fmt: skip
    for label, _, x, _ in columns:
        paper.text(label, (LEFT + x, y - 1), SMALL, ink=SOFT)
    y += 9
    drawn = 0
    for number, clip in enumerate(clips):
        cells = []
        for _, key, x, room in columns:
            words = f"{clip[key]}: {clip['reason']}" if key == "outcome" and clip["reason"] else clip[key]
            cells.append((x, key, paper.lines(words, room, SMALL, "bold" if key == "file" else "plain", most=3)))
        height = max(len(lines) for _, _, lines in cells)
        if number and drawn + height > MOST_CLIP_LINES:
            more = f"and {plural(len(clips) - number, 'more clip')}, in report.html"
            return paper.paragraph(more, (LEFT, y), WIDTH, SMALL, "bold")
        for x, key, lines in cells:
            for index, line in enumerate(lines):
                at = LEFT + x, y + 1.22 * SMALL * index
                paper.text(line, at, SMALL, "bold" if key == "file" else "plain")
        y += 1.22 * SMALL * height + 2
        paper.line((LEFT, y - 1), (RIGHT, y - 1), RULE, 0.5)
        drawn += height
    return y


def _cautions(paper: Paper, y: float, cautions: Sequence[str]) -> float:
    y = _title(paper, y, "Read this with care")
    step = (WIDTH + 14) / len(cautions)
    return max(
        paper.paragraph(words, (LEFT + step * number, y), step - 14, BODY) for number, words in enumerate(cautions)
    )
