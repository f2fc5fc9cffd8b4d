"""What one animal's sheet says, to be read in twenty seconds; and ``report.html``, which says it on a screen or phone.

``pdf.py`` puts the same content on paper.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from typing import Any

from pipeline.estimate.results import EggFinding, ExamFinding, History
from pipeline.exams.exam_search import Exam
from pipeline.formatting import EN_DASH, MULTIPLICATION_SIGN, date_text, percent, plural
from pipeline.report.body_map import body_map, body_map_svg, body_map_text
from pipeline.report.egg_pictures import egg_picture
from pipeline.report.export.result import ModelIdentity
from pipeline.report.history_text import history_rows, history_sentences
from pipeline.report.rendering import render
from pipeline.report.shell_sign_text import SHELL_SIGN_LEGEND, shell_sign_text
from pipeline.report.sightings import EggPicture, best_picture, sorted_scans
from pipeline.report.sign_off import SIGNED_HTML, SignOff
from pipeline.report.signature import SheetSignature
from pipeline.report.sweep_plot import sweep_plot_svg
from pipeline.report.text import (
    clip_title,
    count_text,
    frame_time_text,
    interval_text,
    scan_text,
    short_size_text,
    size_summary_text,
    size_text,
    stage_mix_text,
    windows_text,
)
from pipeline.report.timeline import timeline_svg
from pipeline.scan.clip_scan import ClipScan

__all__ = ["sheet_content", "sheet_html"]

SHEET_LEGEND = "Lines are drawn just outside the outline. Sizes are of the whole egg, worked out from all its sections."
SHEET_LEGEND_DETAILS = (
    "In brackets is the range that holds them with nine chances in ten. “Real” is how sure it is that the object is "
    "there and was not counted twice."
)
CAUTIONS = (
    "This is not a diagnostic device. Treatment is decided by licensed veterinary staff under local wildlife rules.",
    "Ultrasound counts are known to miss eggs, and “none seen” does not mean none. A radiograph remains the reference "
    "for number.",
    "Being calcified is not a laying clock: it does not tell when she will lay.",
)


def sheet_html(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
    signed: SheetSignature | SignOff | None = None,
) -> bytes:
    """The sheet as a self-contained page: pictures and style inside, no script, no outside request.

    signed : of a signed sheet its signature, with what was changed; the finding has those changes already. Of the
    program's own sheet that a person has signed the exam, and where that sheet lies
    """
    from markupsafe import Markup

    content = sheet_content(exam, finding, scans, model, settings_sha256)
    for egg in content["eggs"]:
        egg["picture"] = f"data:image/jpeg;base64,{base64.b64encode(egg['jpeg']).decode()}" if egg["jpeg"] else None
    sweep, timeline = sweep_plot_svg(finding, sorted_scans(scans)), timeline_svg(finding.history)
    body = body_map_svg(content["body_map"]) if content["body_map"] else None
    # Everything inside was escaped where the drawings were made.
    drawings = {"sweep": sweep and Markup(sweep), "timeline": timeline and Markup(timeline)}
    return render(
        "sheet.html.j2", **content, **drawings, body=body and Markup(body), signed=signed, signed_page=SIGNED_HTML
    )


def sheet_content(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
) -> dict[str, Any]:
    """All words and pictures of the sheet, for screen and paper alike; only the plot of the sweep is drawn by each."""
    clips = sorted_scans(scans)
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    scanned = any(len(scan.used_frames) for scan in clips)
    scale_known = any(scan.mm_per_px is not None for scan in clips)
    mapped = body_map(exam, finding, clips)
    return {
        "exam": exam,
        "finding": finding,
        "model": model,
        "settings_sha256": settings_sha256,
        "date": date_text(exam.date),
        "exam_details": _form(exam),
        "scanned": scanned,
        "headline": count_text(finding.shelled, "shelled egg") if scanned else "not scanned",
        "verdict": _verdict(finding, scanned),
        "flags": finding.flags,
        "windows": windows_text(clips),
        "scan_text": scan_text(clips),
        "stage": _stage_words(finding),
        "stage_mix": stage_mix_text(eggs) if finding.stage != "none seen" else "",
        "size_label": "Size" if all(egg.stage == "follicle" for egg in eggs) else "Size of shelled eggs",
        "sizes": size_summary_text(eggs, scale_known),
        "follicles": count_text(finding.follicles, "follicle"),
        "follicles_interval": interval_text(finding.follicles),
        "eggs": [_egg(egg, clips) for egg in eggs],
        "eggs_title": "Each egg and follicle" if finding.follicles.estimate else "Each egg",
        "legend": SHEET_LEGEND,
        "full_legend": _key_in_full(eggs),
        "history": _history(finding.history),
        "body_map": mapped,
        "body_map_text": body_map_text(mapped) if mapped else "",
        "clips": [_clip(scan) for scan in clips],
        "cautions": CAUTIONS,
    }


def _history(history: History) -> dict[str, Any]:
    """Her other exams; the sentences are empty where nothing is to be said, the rows where there is no other exam."""
    several = len(history.visits) > 1
    return {
        "title": "Change since her last exam" if several else "Beside her species",
        "sentences": history_sentences(history),
        "rows": history_rows(history) if several else [],
    }


def _verdict(finding: ExamFinding, scanned: bool) -> dict[str, str]:
    """The count: figure, what it says, its range and what to make of it; what does not apply is empty."""
    if not scanned:
        about = "No recording of this exam could be used, so nothing can be said about eggs."
        return {"figure": "not scanned", "label": "", "range": "", "explanation": about}
    likely, estimate = interval_text(finding.shelled), finding.shelled.estimate
    if not estimate:
        about = "“None seen” does not mean none: judge it by how well she was scanned."
        return {"figure": "none seen", "label": "No shelled egg was seen", "range": likely, "explanation": about}
    return {
        "figure": str(estimate),
        "label": "shelled egg" if estimate == 1 else "shelled eggs",
        "range": likely,
        "explanation": (
            f"At least {finding.shelled.at_least}, if every detection is right. "
            f"{percent(finding.confidence)} sure to be within one of the number that the sweeps crossed. "
            "Eggs out of reach of every window scanned are not in it; no scan can tell of them."
        ),
    }


def _form(exam: Exam) -> list[tuple[str, str]]:
    """The cells at the head of the sheet; what is unknown is left out, but the date."""
    cells = [("Scanned", date_text(exam.date))]
    if exam.weight_g is not None:
        cells.append(("Weight", f"{exam.weight_g:g} g"))
    if exam.carapace_mm is not None:
        size = f"{exam.carapace_mm:g}"
        if exam.carapace_width_mm is not None:
            size += f" {MULTIPLICATION_SIGN} {exam.carapace_width_mm:g}"
        cells.append(("Carapace", f"{size} mm"))
    if exam.passed_before:
        cells.append(("Laid before", plural(exam.passed_before, "egg")))
    return cells


def _key_in_full(eggs: Sequence[EggFinding]) -> str:
    ranges = {egg.signs.shown_range_db for egg in eggs if egg.signs is not None}
    return " ".join(
        [SHEET_LEGEND, SHEET_LEGEND_DETAILS, *(SHELL_SIGN_LEGEND.format(range=shown) for shown in sorted(ranges))]
    )


def _stage_words(finding: ExamFinding) -> str:
    if finding.stage == "none seen":
        return "none seen"
    return f"{finding.stage} ({percent(finding.stage_probability)})"


def _egg(egg: EggFinding, clips: Sequence[ClipScan]) -> dict[str, Any]:
    found = best_picture(egg, clips)
    jpeg = egg_picture(egg, found) if found else None
    seen_in = {sighting.clip for sighting in egg.sightings}
    scale_known = any(scan.mm_per_px is not None for scan in clips if scan.file in seen_in)
    size = size_text(egg, scale_known)
    return {
        "identity": egg.identity,
        "stage": egg.stage,
        "stage_percent": percent(egg.stage_probability),
        "size": size,
        "short_size": short_size_text(egg, scale_known),
        "signs": shell_sign_text(egg),
        "shape_depth_confidence": f"{_shape_words(egg)}{_depth_words(egg)}real: {percent(egg.confidence)}",
        "location": _where_words(egg, found),
        "jpeg": jpeg,
        "alt": f"Ultrasound picture of number {egg.identity}, {egg.stage}, {size}, outlined",
    }


def _shape_words(egg: EggFinding) -> str:
    return "" if egg.shape == "cannot tell" else f"{egg.shape}; "


def _depth_words(egg: EggFinding) -> str:
    depth = egg.depth_mm
    return "" if depth is None or math.isnan(depth) else f"{depth:.0f} mm deep; "


def _where_words(egg: EggFinding, found: EggPicture | None) -> str:
    """Where the shown frame is found, and how often the egg came into view."""
    times = len(egg.sightings)
    passes = "seen once" if times == 1 else f"seen {times} times"
    if found is None:
        return passes
    return f"{clip_title(found.scan)}, {frame_time_text(found.picture.frame, found.scan.frame_rate)}; {passes}"


def _clip(scan: ClipScan) -> dict[str, str]:
    done = scan.status == "done"
    if scan.frame_rate and done:
        length = f"{scan.frames / scan.frame_rate:.0f} s"
    else:
        length = plural(scan.frames, "frame") if scan.frames else EN_DASH
    return {
        "file": scan.file,
        "window": scan.window or "not told",
        "length": length,
        "used": f"{len(scan.used_frames):,} of {scan.frames:,}" if done else EN_DASH,
        "scale": _scale_words(scan),
        "outcome": ("in part" if scan.reason else "read") if done else "refused",
        "reason": _remarks(scan) or ("" if done else "no reason was kept"),
    }


def _remarks(scan: ClipScan) -> str:
    scale = "scale" if scan.mm_per_px is not None else "no scale"
    about_scale = None if scan.scale_note is None else f"{scale}: {scan.scale_note}."
    return " ".join(remark for remark in (scan.reason, about_scale) if remark)


def _scale_words(scan: ClipScan) -> str:
    if scan.mm_per_px is not None:
        return f"{scan.mm_per_px:.3g} mm/px"
    return "no scale" if scan.status == "done" else EN_DASH
