"""An exam's review as a JSON document for the page: figures in the sheet's words, eggs, clips, and what was said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import numpy as np

from pipeline.estimate.results import Count, EggFinding, ExamFinding, Sighting, Stage
from pipeline.formatting import date_text, percent, plural
from pipeline.report.sightings import sorted_scans
from pipeline.report.text import clip_title, count_text, interval_text, size_text
from pipeline.review.answer_service import ExamReview
from pipeline.review.event_text import event_text, utc_time_text
from pipeline.review.replay import ReviewedEgg, Signature, undo_redo_targets
from pipeline.review.users import User
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.tracks import view_quality

__all__ = [
    "BestView",
    "best_view",
    "egg_finding",
    "event_document",
    "outlines_document",
    "review_document",
    "usable_clips",
]

MAXIMUM_HISTORY = 60  # answers shown; all are kept
NO_BREAK = "\N{NO-BREAK SPACE}"


def usable_clips(scans: Sequence[ClipScan]) -> list[ClipScan]:
    """The clips that can be shown, in the page's order."""
    return [scan for scan in sorted_scans(scans) if scan.status == "done"]


def review_document(reviewed: ExamReview, user: User, others: Sequence[str]) -> dict[str, Any]:
    """Everything the page shows, but pictures and outlines. others : who else looks at this exam now"""
    case, state = reviewed.case, reviewed.state
    clips = usable_clips(case.scans)
    undo, redo = undo_redo_targets(reviewed.events, user.name)
    signed = state.signature
    return {
        "head": state.head,
        "fingerprint": case.fingerprint,
        "animal": case.exam.animal,
        "date": date_text(case.exam.date),
        "species": case.exam.species or "species not told",
        "scanned": case.summary.is_scanned,
        "signed": None if signed is None else _signed(reviewed, signed),
        "you": {"name": user.name, "role": user.role, "permission": user.permission},
        "now": _figures(reviewed.finding, case.summary.is_scanned),
        "program": _figures(case.summary.finding, case.summary.is_scanned),
        "flags": [
            {"severity": flag.severity, "reason": f"{flag.reason} {flag.advice}".strip()}
            for flag in reviewed.finding.flags
        ],
        "eggs": [_egg(egg, reviewed, clips) for egg in state.eggs if egg.is_shown],
        "clips": [
            {
                "file": scan.file,
                "name": clip_title(scan),
                "frames": scan.frames,
                "rate": scan.frame_rate,
                "width": scan.width,
                "height": scan.height,
                "unusable": [list(stretch) for stretch in state.unusable.get(scan.file, ())],
                "used": _stretches(scan.used_frames),
            }
            for scan in clips
        ],
        "refused": [{"file": s.file, "reason": s.reason or ""} for s in case.scans if s.status == "refused"],
        "comments": [event_document(event) for event in state.comments],
        "questions": [{**event_document(event), "of": event.sequence} for event in state.questions],
        "history": [event_document(event) for event in reviewed.events[-MAXIMUM_HISTORY:]],
        "undo": undo,
        "redo": redo,
        "others": list(others),
        "sheet": f"/exams/{quote(case.summary.folder)}/sheet" if signed is not None else None,
    }


def outlines_document(scan: ClipScan) -> dict[str, Any]:
    """The outlines of every track of a clip, px to a tenth."""
    return {
        "tracks": {
            str(track.identity): {
                "frames": track.frames.tolist(),
                "ellipses": np.round(track.ellipses, 1).tolist(),
            }
            for track in scan.tracks.tracks
        }
    }


def event_document(event: Any) -> dict[str, Any]:
    """Who, when and what, for a line of the page."""
    return {"sequence": event.sequence, "who": event.person, "at": utc_time_text(event.at), "what": event_text(event)}


def egg_finding(egg: ReviewedEgg, reviewed: ExamReview) -> EggFinding:
    """What is found of an egg, counted or not; of one that is not counted, what little there is."""
    counted = next((one for one in reviewed.finding.eggs if one.identity == egg.number), None)
    if counted is not None:
        return counted
    snapshot = next((one for one in reviewed.case.snapshot.eggs if one.number == egg.number), None)
    stage: Stage = egg.stage or (snapshot.stage if snapshot else "calcified")
    existence = 0.0 if egg.verdict == "not-egg" else snapshot.existence if snapshot else 0.0
    sightings = tuple(
        Sighting(segment.clip, segment.track, segment.first, segment.last, segment.first) for segment in egg.segments
    )
    return EggFinding(egg.number, stage, 0.0, existence, "cannot tell", None, None, None, sightings)


def _egg(egg: ReviewedEgg, reviewed: ExamReview, clips: Sequence[ClipScan]) -> dict[str, Any]:
    found = egg_finding(egg, reviewed)
    counted = any(one.identity == egg.number for one in reviewed.finding.eggs)
    scaled = any(scan.mm_per_px is not None for scan in clips)
    folder = quote(reviewed.case.summary.folder)
    return {
        "number": egg.number,
        "segments": [segment.model_dump() for segment in egg.segments],
        "counted_by_batch": egg.counted_by_batch,
        "counted": counted,
        "verdict": egg.verdict,
        "stage": found.stage,
        "staged": egg.stage is not None,
        "confidence": found.confidence,
        "words": _words(egg, found, counted, scaled),
        "answered_by": egg.answered_by,
        "outlines": {str(track): list(outline) for track, outline in egg.outlines.items()},
        "best": _best(egg, clips),
        "picture": f"/exams/{folder}/eggs/{egg.number}?version={found.stage}-{len(egg.segments)}-{egg.segments[0].track}",
    }


def _words(egg: ReviewedEgg, found: EggFinding, counted: bool, scaled: bool) -> str:
    if egg.outlines and len(egg.segments) == 1:
        return "drawn by hand" if not counted else f"{size_text(found, scaled)}, drawn by hand"
    if counted:
        size = size_text(found, scaled)
        return size if egg.verdict else f"{size}; real: {percent(found.confidence).replace(' ', NO_BREAK)}"
    # The probability that it is real by itself is no help here: the exam as a whole speaks against it.
    return "not counted" if egg.verdict else "not counted: too unsure"


@dataclass(frozen=True)
class BestView:
    """clip_index : of the clip, among those shown;  ellipse : px of the frame"""

    clip_index: int
    frame: int
    ellipse: tuple[float, float, float, float, float]


def best_view(egg: ReviewedEgg, clips: Sequence[ClipScan]) -> BestView | None:
    """Where an egg is seen best, None where no clip shows it."""
    places = {scan.file: place for place, scan in enumerate(clips)}
    best: BestView | None = None
    surest = -1.0
    for segment in egg.segments:
        place = places.get(segment.clip)
        if place is None:
            continue
        if segment.track < 0:
            return BestView(place, segment.first, egg.outlines[segment.track])
        track = next(track for track in clips[place].tracks.tracks if track.identity == segment.track)
        inside = (track.frames >= segment.first) & (track.frames <= segment.last)
        row = int(np.where(inside, view_quality(track.ellipses, track.scores), -1.0).argmax())
        if track.scores[row] > surest:
            surest = float(track.scores[row])
            cx, cy, major, minor, degrees = track.ellipses[row].tolist()
            best = BestView(place, int(track.frames[row]), (cx, cy, major, minor, degrees))
    return best


def _best(egg: ReviewedEgg, clips: Sequence[ClipScan]) -> list[int]:
    view = best_view(egg, clips)
    return [0, 0] if view is None else [view.clip_index, view.frame]


def _signed(reviewed: ExamReview, signed: Signature) -> dict[str, str]:
    """Who signed, and, where the recordings were read otherwise since, what was signed."""
    then = reviewed.events[signed.sequence - 1].after.get("shelled", [])
    now = reviewed.finding.shelled
    told = ""
    if then and then != [now.at_least, now.estimate, *now.interval90]:
        at_least, estimate, low, high = then
        count = Count(at_least, estimate, (low, high))
        told = f"signed were {count_text(count, 'shelled egg')}, {interval_text(count)}; the recordings were read again"
    return {"name": signed.name, "role": signed.role, "at": utc_time_text(signed.at), "then": told}


def _figures(finding: ExamFinding, scanned: bool) -> dict[str, str]:
    if not scanned:
        return {"figure": "not scanned", "count_text": "", "range": "", "at_least": "", "stage": "", "follicles": ""}
    number = finding.shelled.estimate
    return {
        "figure": str(number) if number else "none seen",
        "count_text": count_text(finding.shelled, "shelled egg"),
        "range": interval_text(finding.shelled),
        "at_least": f"at least {finding.shelled.at_least}",
        "stage": "" if finding.stage == "none seen" else f"{finding.stage} ({percent(finding.stage_probability)})",
        "follicles": plural(finding.follicles.estimate, "follicle") if finding.follicles.estimate else "",
    }


def _stretches(frames: np.ndarray[Any, np.dtype[np.int64]]) -> list[list[int]]:
    """First and last of every run of neighbouring frames."""
    if not len(frames):
        return []
    ends = np.flatnonzero(np.diff(frames) > 1)
    firsts, lasts = frames[np.concatenate([[0], ends + 1])], frames[np.concatenate([ends, [len(frames) - 1]])]
    return [[int(first), int(last)] for first, last in zip(firsts, lasts, strict=True)]
