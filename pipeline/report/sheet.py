"""``report.html``: one animal's sheet, to be read in twenty seconds, on a screen, a phone or paper."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from typing import Any

from pipeline.estimate.finding import EggFinding, ExamFinding
from pipeline.exams import Exam
from pipeline.report.evidence import EggPicture, best_picture, in_order
from pipeline.report.pages import render
from pipeline.report.pictures import egg_picture
from pipeline.report.result import ModelIdentity, flags_by_severity
from pipeline.report.sweep import sweep_plot
from pipeline.report.words import (
    EN_DASH,
    TIMES,
    clip_words,
    count_words,
    date_words,
    likely_words,
    moment_words,
    percent,
    plural,
    scan_words,
    size_words,
    sizes_words,
    stage_mix_words,
    windows_words,
)
from pipeline.scan import ClipScan

__all__ = ["sheet_html"]


def sheet_html(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
) -> bytes:
    """The sheet as a self-contained page: pictures and style inside, no script, no outside request."""
    from markupsafe import Markup

    clips = in_order(scans)
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    scanned = any(len(scan.used) for scan in clips)
    scale_known = any(scan.mm_per_px is not None for scan in clips)
    sweep = sweep_plot(finding, clips)
    return render(
        "sheet.html.j2",
        exam=exam,
        finding=finding,
        model=model,
        settings_sha256=settings_sha256,
        date=date_words(exam.date),
        form=_form(exam),
        scanned=scanned,
        headline=count_words(finding.shelled, "shelled egg") if scanned else "not scanned",
        shelled_likely=likely_words(finding.shelled),
        confidence=percent(finding.confidence),
        flags=flags_by_severity(finding.flags),
        windows=windows_words(clips),
        scan_words=scan_words(clips),
        stage=_stage_words(finding),
        stage_mix=stage_mix_words(eggs) if finding.stage != "none seen" else "",
        size_label="Size" if all(egg.stage == "follicle" for egg in eggs) else "Size of shelled eggs",
        sizes=sizes_words(eggs, scale_known),
        follicles=count_words(finding.follicles, "follicle"),
        follicles_likely=likely_words(finding.follicles),
        eggs=[_egg(egg, clips) for egg in eggs],
        # Everything inside was escaped where the drawing was made.
        sweep=Markup(sweep) if sweep else None,
        clips=[_clip(scan) for scan in clips],
    )


def _form(exam: Exam) -> list[tuple[str, str]]:
    """The cells at the head of the sheet; what is unknown is left out, but the date."""
    cells = [("Scanned", date_words(exam.date))]
    if exam.weight_g is not None:
        cells.append(("Weight", f"{exam.weight_g:g} g"))
    if exam.carapace_mm is not None:
        size = f"{exam.carapace_mm:g}"
        if exam.carapace_width_mm is not None:
            size += f" {TIMES} {exam.carapace_width_mm:g}"
        cells.append(("Carapace", f"{size} mm"))
    if exam.passed_before:
        cells.append(("Laid before", plural(exam.passed_before, "egg")))
    return cells


def _stage_words(finding: ExamFinding) -> str:
    if finding.stage == "none seen":
        return "none seen"
    return f"{finding.stage} ({percent(finding.stage_probability)})"


def _egg(egg: EggFinding, clips: Sequence[ClipScan]) -> dict[str, Any]:
    found = best_picture(egg, clips)
    jpeg = egg_picture(egg, found) if found else None
    seen_in = {sighting.clip for sighting in egg.sightings}
    scale_known = any(scan.mm_per_px is not None for scan in clips if scan.file in seen_in)
    size = size_words(egg, scale_known)
    return {
        "identity": egg.identity,
        "stage": egg.stage,
        "stage_sure": percent(egg.stage_probability),
        "size": size if egg.shape == "cannot tell" else f"{size}, {egg.shape}",
        "depth_and_sure": f"{_depth_words(egg)}real: {percent(egg.confidence)}",
        "where": _where_words(egg, found),
        "picture": f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}" if jpeg else None,
        "alt": f"Ultrasound picture of number {egg.identity}, {egg.stage}, {size}, outlined",
    }


def _depth_words(egg: EggFinding) -> str:
    depth = egg.depth_mm
    return "" if depth is None or math.isnan(depth) else f"{depth:.0f} mm deep; "


def _where_words(egg: EggFinding, found: EggPicture | None) -> str:
    """Where the shown frame is found, and how often the egg came into view."""
    times = len(egg.sightings)
    passes = "seen once" if times == 1 else f"seen {times} times"
    if found is None:
        return passes
    return f"{clip_words(found.scan)}, {moment_words(found.picture.frame, found.scan.frame_rate)}; {passes}"


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
        "used": f"{len(scan.used):,} of {scan.frames:,}" if done else EN_DASH,
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
