"""The eggs and the recordings on a sheet, each with its text and picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.estimate.results import EggFinding
from pipeline.formatting import EN_DASH, percent, plural
from pipeline.report.egg_pictures import egg_picture
from pipeline.report.follicle_text import FOLLICLE_CLASS_LEGEND, follicle_class_text
from pipeline.report.shell_sign_text import SHELL_SIGN_LEGEND, shell_sign_text, shell_text
from pipeline.report.sightings import EggPicture, best_picture
from pipeline.report.text import clip_title, frame_time_text, short_size_text, size_text
from pipeline.scan.clip_scan import ClipScan

__all__ = ["ClipEntry", "EggEntry", "EggLegends", "clip_entry", "egg_entry", "egg_legends"]

LEGEND = "Lines are drawn just outside the egg. Sizes are of the whole egg, estimated from all its sections."
LEGEND_DETAILS = (
    "Brackets: the 90 % range. “Sure it is one egg” is the probability that the object is real and was not counted "
    "twice."
)


@dataclass(frozen=True)
class EggEntry:
    """One egg or follicle. size : with its range;  short_size : without it

    appearance : what was seen, in words: of the shell, or the size class of a follicle; empty if not measured
    signs : the measured signs of a shell; empty if not measured
    shape_and_depth : empty if neither is known;  confidence : that it is real and one;  location : where it was seen
    jpeg : its best picture, None if none was kept;  alternative_text : what the picture shows
    """

    identity: int
    stage: str
    stage_percent: str
    appearance: str
    size: str
    short_size: str
    shape_and_depth: str
    confidence: str
    signs: str
    location: str
    jpeg: bytes | None
    alternative_text: str


@dataclass(frozen=True)
class EggLegends:
    """What explains the eggs' pictures, by how much text stands below them.

    short : stage and size;  without_signs : everything but the signs;  full : everything
    """

    short: str
    without_signs: str
    full: str


@dataclass(frozen=True)
class ClipEntry:
    """One recording. outcome : "read", "partly read" or "refused";  reason : why, empty if it was read in full"""

    file: str
    window: str
    length: str
    used: str
    scale: str
    outcome: str
    reason: str

    @property
    def outcome_label(self) -> str:
        """The outcome as the beginning of a text that ends with the reason. A clip that was read has only a note."""
        return f"{self.outcome}." if self.outcome == "read" else f"{self.outcome}:"


def egg_legends(eggs: Sequence[EggFinding]) -> EggLegends:
    shown_ranges_db = {egg.signs.shown_range_db for egg in eggs if egg.signs is not None}
    signs = [SHELL_SIGN_LEGEND.format(range=shown) for shown in sorted(shown_ranges_db)]
    classes = [FOLLICLE_CLASS_LEGEND] if any(egg.stage == "follicle" for egg in eggs) else []
    without_signs = " ".join([LEGEND, LEGEND_DETAILS, *classes])
    return EggLegends(LEGEND, without_signs, " ".join([without_signs, *signs]))


def egg_entry(egg: EggFinding, clips: Sequence[ClipScan]) -> EggEntry:
    found = best_picture(egg, clips)
    seen_in = {sighting.clip for sighting in egg.sightings}
    scale_known = any(scan.mm_per_px is not None for scan in clips if scan.file in seen_in)
    size = size_text(egg, scale_known)
    noun = "follicle" if egg.stage == "follicle" else "egg"
    appearance = follicle_class_text(egg) if egg.stage == "follicle" else shell_text(egg)
    description = f"{egg.stage}: {appearance}" if appearance else egg.stage
    return EggEntry(
        identity=egg.identity,
        stage=egg.stage,
        stage_percent=percent(egg.stage_probability),
        appearance=appearance,
        size=size,
        short_size=short_size_text(egg, scale_known),
        shape_and_depth=_shape_and_depth_text(egg),
        confidence=f"{percent(egg.confidence)} sure it is one {noun}",
        signs=shell_sign_text(egg),
        location=_location_text(egg, found),
        jpeg=egg_picture(egg, found) if found else None,
        alternative_text=f"Ultrasound picture of number {egg.identity}, {description}, {size}, outlined",
    )


def _shape_and_depth_text(egg: EggFinding) -> str:
    shape = [] if egg.shape == "cannot tell" else [egg.shape]
    depth = [] if egg.depth_mm is None or math.isnan(egg.depth_mm) else [f"{egg.depth_mm:.0f} mm deep"]
    return ", ".join(shape + depth)


def _location_text(egg: EggFinding, found: EggPicture | None) -> str:
    """The clip and time of the picture, and how often the egg was in view."""
    times = len(egg.sightings)
    often = "seen once" if times == 1 else f"seen {times} times"
    if found is None:
        return often
    return f"{clip_title(found.scan)}, {frame_time_text(found.picture.frame, found.scan.frame_rate)}; {often}"


def clip_entry(scan: ClipScan) -> ClipEntry:
    is_done = scan.status == "done"
    if scan.frame_rate and is_done:
        length = f"{scan.frames / scan.frame_rate:.0f} s"
    else:
        length = plural(scan.frames, "frame") if scan.frames else EN_DASH
    return ClipEntry(
        file=scan.file,
        window=scan.window or "unknown",
        length=length,
        used=f"{len(scan.used_frames):,} of {scan.frames:,}" if is_done else EN_DASH,
        scale=_scale_text(scan),
        outcome=("partly read" if scan.reason else "read") if is_done else "refused",
        reason=_reason_text(scan) or ("" if is_done else "no reason recorded"),
    )


def _reason_text(scan: ClipScan) -> str:
    """Why the clip was refused or only partly read, and what is odd about its scale."""
    scale = "Scale" if scan.mm_per_px is not None else "No scale"
    scale_note = None if scan.scale_note is None else f"{scale}: {scan.scale_note}."
    return " ".join(note for note in (scan.reason, scale_note) if note)


def _scale_text(scan: ClipScan) -> str:
    if scan.mm_per_px is not None:
        return f"{scan.mm_per_px:.3g} mm/px"
    return "no scale" if scan.status == "done" else EN_DASH
