"""The eggs and the recordings on a sheet, each with its text and picture."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from models.stages import Stage
from pipeline.estimate.results import EggFinding, UncountedObject
from pipeline.formatting import EN_DASH, frames_text, number_text, percent
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, mark, ngettext
from pipeline.people.signatures import SignedEgg
from pipeline.report.egg_pictures import EggCutout, cut_out
from pipeline.report.follicle_text import FOLLICLE_CLASS_LEGEND, follicle_class_text
from pipeline.report.links import ReviewLinks
from pipeline.report.range_bar import RangeBar
from pipeline.report.shell_sign_text import SHELL_SIGN_LEGEND, shell_sign_text, shell_text
from pipeline.report.sightings import EggPicture, best_picture, sorted_sightings
from pipeline.report.sign_off import verdict_text
from pipeline.report.text import clip_title, frame_time_text, size_text
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "ClipEntry",
    "EggEntry",
    "UncountedEntry",
    "ViewLink",
    "candidate_name",
    "clip_entry",
    "egg_confidence_text",
    "egg_entries",
    "egg_legend",
    "uncounted_entry",
]

LEGEND = mark(
    "Lines are drawn just outside the egg. Sizes are of the whole egg, estimated from all its sections. Brackets and "
    "bars: the 90 % range. “Sure it is one egg” is the probability that the object is real and was not counted twice."
)


@dataclass(frozen=True)
class ViewLink:
    """Where an object was in view, in words. address : opens the review there; "" if there is no review"""

    text: str
    address: str


@dataclass(frozen=True)
class EggEntry:
    """One egg or follicle. size : with its range;  size_bar : the same drawn, None without a range

    stage_name : the stage in the language of the page
    appearance : what was seen, in words: of the shell, or the size class of a follicle; empty if not measured
    signs : the measured signs of a shell; empty if not measured
    shape_and_depth : empty if neither is known;  confidence : that it is real and one
    verdict : what people said of it, empty on a sheet that nobody signed
    location : where the picture was taken;  views : where it was in view
    cutout : its best picture, None if none was kept;  alternative_text : what the picture shows
    """

    identity: int
    stage: Stage
    stage_name: str
    stage_percent: str
    appearance: str
    size: str
    size_bar: RangeBar | None
    shape_and_depth: str
    confidence: str
    verdict: str
    signs: str
    location: str
    views: tuple[ViewLink, ...]
    address: str
    cutout: EggCutout | None
    alternative_text: str


@dataclass(frozen=True)
class UncountedEntry:
    """Something too unsure to be counted. name : what it may be;  the rest as in `EggEntry`"""

    identity: int
    stage: Stage
    name: str
    confidence: str
    verdict: str
    views: tuple[ViewLink, ...]
    address: str
    cutout: EggCutout | None
    alternative_text: str


@dataclass(frozen=True)
class ClipEntry:
    """One recording. outcome : that it was read, partly read or refused;  reason : why, empty if it was read in full

    outcome_label : the outcome as the beginning of a text that ends with the reason
    """

    file: str
    window: str
    length: str
    used: str
    scale: str
    outcome: str
    outcome_label: str
    reason: str


def egg_legend(eggs: Sequence[EggFinding]) -> str:
    """What explains the eggs' pictures and the text below them."""
    shown_ranges_db = {egg.signs.shown_range_db for egg in eggs if egg.signs is not None}
    signs = [gettext(SHELL_SIGN_LEGEND, range=f"{shown:.0f}") for shown in sorted(shown_ranges_db)]
    classes = [gettext(FOLLICLE_CLASS_LEGEND)] if any(egg.stage == "follicle" for egg in eggs) else []
    return " ".join([gettext(LEGEND), *classes, *signs])


def egg_entries(
    eggs: Sequence[EggFinding], clips: Sequence[ClipScan], review: ReviewLinks, signed: Mapping[int, SignedEgg]
) -> tuple[EggEntry, ...]:
    """signed : what people said, by the egg's number"""
    lengths_mm = [egg.length_interval90_mm[1] for egg in eggs if egg.length_interval90_mm is not None]
    top_mm = 10.0 * math.ceil(max(lengths_mm, default=10.0) / 10.0)
    return tuple(_egg_entry(egg, clips, review, signed.get(egg.identity), top_mm) for egg in eggs)


def _egg_entry(
    egg: EggFinding, clips: Sequence[ClipScan], review: ReviewLinks, signed: SignedEgg | None, top_mm: float
) -> EggEntry:
    found = best_picture(egg, clips)
    seen_in = {sighting.clip for sighting in egg.sightings}
    scale_known = any(scan.mm_per_px is not None for scan in clips if scan.file in seen_in)
    size = size_text(egg, scale_known)
    stage = stored_text(egg.stage)
    appearance = follicle_class_text(egg) if egg.stage == "follicle" else shell_text(egg)
    description = f"{stage}: {appearance}" if appearance else stage
    is_confirmed = signed is not None and signed.verdict == "egg"
    return EggEntry(
        identity=egg.identity,
        stage=egg.stage,
        stage_name=stage,
        stage_percent=percent(egg.stage_probability) if egg.stage_probability < 1 else "",
        appearance=appearance,
        size=size,
        size_bar=_size_bar(egg, top_mm),
        shape_and_depth=_shape_and_depth_text(egg),
        confidence="" if is_confirmed else egg_confidence_text(egg),
        verdict=verdict_text(signed),
        signs=shell_sign_text(egg),
        location=_location_text(egg, found),
        views=_views(egg, clips, review),
        address=review.egg(egg.identity),
        cutout=cut_out(found) if found else None,
        alternative_text=gettext(
            "Ultrasound picture of number {number}, {description}, {size}, outlined",
            number=egg.identity,
            description=description,
            size=size,
        ),
    )


def egg_confidence_text(egg: EggFinding) -> str:
    probability = percent(egg.confidence)
    if egg.stage == "follicle":
        return gettext("{probability} sure it is one follicle", probability=probability)
    return gettext("{probability} sure it is one egg", probability=probability)


def uncounted_entry(
    candidate: UncountedObject, clips: Sequence[ClipScan], review: ReviewLinks, signed: SignedEgg | None
) -> UncountedEntry:
    found = best_picture(candidate, clips)
    name = candidate_name(candidate.stage)
    return UncountedEntry(
        identity=candidate.identity,
        stage=candidate.stage,
        name=name,
        confidence=gettext("{probability} sure it is one", probability=percent(candidate.confidence)),
        verdict=verdict_text(signed),
        views=_views(candidate, clips, review),
        address=review.egg(candidate.identity),
        cutout=cut_out(found) if found else None,
        alternative_text=gettext(
            "Ultrasound picture of uncertain object {number}, {name}, not counted, outlined",
            number=candidate.identity,
            name=name,
        ),
    )


def candidate_name(stage: Stage) -> str:
    """What an object that was not counted may be."""
    return {
        "calcified": gettext("may be a calcified egg"),
        "thin-shelled": gettext("may be a thin-shelled egg"),
        "follicle": gettext("may be a follicle"),
    }[stage]


def _views(seen: EggFinding | UncountedObject, clips: Sequence[ClipScan], review: ReviewLinks) -> tuple[ViewLink, ...]:
    titles = {scan.file: clip_title(scan) for scan in clips}
    return tuple(
        ViewLink(
            frames_text(titles.get(one.clip, one.clip), one.first_frame, one.last_frame),
            review.frame(one.clip, one.best_frame),
        )
        for one in sorted_sightings(seen)
    )


def _size_bar(egg: EggFinding, top_mm: float) -> RangeBar | None:
    """The length on a scale that all eggs of the exam share."""
    length, interval = egg.length_mm, egg.length_interval90_mm
    if length is None or interval is None or math.isnan(length):
        return None
    low, high = interval
    text = gettext(
        "Length {length} mm, 90 % range {low} to {high}, on a scale to {end} mm",
        length=f"{length:.0f}",
        low=f"{low:.0f}",
        high=f"{high:.0f}",
        end=f"{top_mm:.0f}",
    )
    return RangeBar.of(low, length, high, top_mm, text)


def _shape_and_depth_text(egg: EggFinding) -> str:
    shape = "" if egg.shape == "cannot tell" else stored_text(egg.shape)
    is_known = egg.depth_mm is not None and not math.isnan(egg.depth_mm)
    depth = gettext("{depth} mm deep", depth=f"{egg.depth_mm:.0f}") if is_known else ""
    return ", ".join(filter(None, (shape, depth)))


def _location_text(egg: EggFinding, found: EggPicture | None) -> str:
    """The time of the picture in its clip, and how often the egg was in view."""
    often = ngettext("seen once", "seen {number} times", len(egg.sightings))
    if found is None:
        return often
    time = frame_time_text(found.picture.frame, found.scan.frame_rate)
    return gettext("picture: {clip} at {time}; {often}", clip=found.scan.file, time=time, often=often)


def clip_entry(scan: ClipScan) -> ClipEntry:
    is_done = scan.status == "done"
    if scan.frame_rate and is_done:
        length = f"{scan.frames / scan.frame_rate:.0f} s"
    else:
        length = ngettext("{number} frame", "{number} frames", scan.frames) if scan.frames else EN_DASH
    outcome, outcome_label = _outcome_texts(scan)
    return ClipEntry(
        file=scan.file,
        window=stored_text(scan.window) if scan.window else gettext("unknown"),
        length=length,
        used=_used_text(scan) if is_done else EN_DASH,
        scale=_scale_text(scan),
        outcome=outcome,
        outcome_label=outcome_label,
        reason=_reason_text(scan) or ("" if is_done else gettext("no reason recorded")),
    )


def _outcome_texts(scan: ClipScan) -> tuple[str, str]:
    """The outcome by itself, and before a reason. A clip that was read in full has only a note."""
    if scan.status != "done":
        return gettext("refused"), gettext("refused:")
    if scan.reason:
        return gettext("partly read"), gettext("partly read:")
    return gettext("read"), gettext("read.")


def _used_text(scan: ClipScan) -> str:
    return gettext("{used} of {frames}", used=number_text(len(scan.used_frames)), frames=number_text(scan.frames))


def _reason_text(scan: ClipScan) -> str:
    """Why the clip was refused or only partly read, and what is odd about its scale."""
    reason, note = stored_text(scan.reason or ""), stored_text(scan.scale_note or "")
    if note:
        note = (
            gettext("Scale: {note}.", note=note)
            if scan.mm_per_px is not None
            else gettext("No scale: {note}.", note=note)
        )
    return " ".join(filter(None, (reason, note)))


def _scale_text(scan: ClipScan) -> str:
    if scan.mm_per_px is not None:
        return f"{number_text(scan.mm_per_px, '.3g')} mm/px"
    return gettext("no scale") if scan.status == "done" else EN_DASH
