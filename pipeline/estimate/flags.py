"""Why a person should look: the catalogue of reasons, and which of them an exam gives."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.estimate.counts import Tally
from pipeline.estimate.coverage import ClipCoverage, swept_windows, usable
from pipeline.estimate.finding import Flag, Severity
from pipeline.settings import FlagSettings

__all__ = ["CATALOGUE", "Grounds", "Reason", "flags"]


@dataclass(frozen=True)
class Reason:
    """severity : how soon;  template : the sentence, with named places for what was found"""

    severity: Severity
    template: str


CATALOGUE: Mapping[str, Reason] = {
    "nothing-usable": Reason(
        "vet today", "No clip could be used, so nothing is known of her; scan her again or look at the clips."
    ),
    "unreliable-count": Reason(
        "vet today",
        "The number of shelled eggs, {estimate}, is within one of the truth with a probability of only"
        " {confidence:.0%}.",
    ),
    "low-confidence": Reason(
        "check",
        "The number of shelled eggs, {estimate}, is within one of the truth with a probability of {confidence:.0%}.",
    ),
    "wide-interval": Reason("check", "What was scanned may hold anything from {low} to {high} shelled eggs."),
    "doubtful-objects": Reason(
        "check",
        "Something was followed that may be an egg or a follicle, too unsure to be counted: {places}.",
    ),
    "one-window-only": Reason(
        "check", "Only the {window} window was scanned; eggs on the other side may be missing from the count."
    ),
    "window-unknown": Reason(
        "check", "The window is not told for {files}; eggs seen twice are hard to tell from different ones."
    ),
    "windows-disagree": Reason(
        "check", "The windows differ: {left} shelled eggs were seen from the left, {right} from the right."
    ),
    "clip-refused": Reason("check", "{file} could not be used: {reason}"),
    "clip-cut-short": Reason("check", "{file} was read in part: {reason}"),
    "same-recording": Reason(
        "check", "{file} is the same recording as {others}; one of them lies in the wrong place or is a copy too many."
    ),
    "poor-clip": Reason(
        "check", "{file}: {lost} of {frames} frames could not be used ({causes}). For the next scan: {hint}."
    ),
    "side-lost": Reason(
        "note",
        "{file}: most of the {side} side of the picture was lost to poor contact or shadow. For the next scan: more"
        " gel, slower.",
    ),
    "poor-scan": Reason(
        "check", "Only {used} frames could be used, of {frames} recorded, so eggs may have been missed."
    ),
    "none-seen": Reason("note", "None seen is not none: eggs and follicles can lie out of the probe's reach."),
    "none-seen-poor-scan": Reason(
        "check", "None were seen, but the scan shows too little to rely on it; scan her again."
    ),
    "mixed-stages": Reason("note", "Her eggs are at different stages: {stages}."),
    "no-scale": Reason("note", "The scale is not known for {files}, so nothing there is measured in mm."),
    "unknown-species": Reason("note", "{species}, so nothing is known of the usual clutch."),
}


@dataclass(frozen=True)
class Grounds:
    """What the flags of one exam are decided on.

    stages : among the listed eggs, in order of growth
    doubtful : where objects too unsure to be counted were followed, in words
    unscaled : files of usable clips without a scale
    species : as told, None if not;  known_species : those with a profile, None if there is no list
    """

    shelled: Tally
    follicles: Tally
    coverage: Sequence[ClipCoverage]
    stages: Sequence[str]
    doubtful: Sequence[str]
    unscaled: Sequence[str]
    species: str | None
    known_species: Collection[str] | None


def flags(grounds: Grounds, settings: FlagSettings) -> tuple[Flag, ...]:
    """The flags of an exam, gravest first, in the catalogue's order."""
    found = [
        Flag(code, CATALOGUE[code].severity, CATALOGUE[code].template.format(**values))
        for code, values in _found(grounds, settings)
    ]
    severities: tuple[Severity, ...] = ("vet today", "check", "note")
    codes = list(CATALOGUE)
    return tuple(sorted(found, key=lambda flag: (severities.index(flag.severity), codes.index(flag.code), flag.reason)))


Found = Iterator[tuple[str, dict[str, object]]]


def _found(grounds: Grounds, settings: FlagSettings) -> Found:
    for clip in grounds.coverage:
        if clip.status == "refused":
            yield "clip-refused", {"file": clip.file, "reason": clip.reason or "no reason was given."}
        elif clip.reason is not None:
            yield "clip-cut-short", {"file": clip.file, "reason": clip.reason}
        if clip.same_as:
            yield "same-recording", {"file": clip.file, "others": "; ".join(clip.same_as)}
    if grounds.species is None:
        yield "unknown-species", {"species": "The species is not told"}
    elif grounds.known_species is not None and grounds.species not in grounds.known_species:
        yield "unknown-species", {"species": f"There is no profile of {grounds.species}"}
    if not usable(grounds.coverage):
        yield "nothing-usable", {}
        return
    yield from _of_scan(grounds, settings)
    yield from _of_count(grounds, settings)
    if len(grounds.stages) > 1:
        yield "mixed-stages", {"stages": " and ".join(grounds.stages)}
    if grounds.unscaled:
        yield "no-scale", {"files": ", ".join(grounds.unscaled)}


def _of_scan(grounds: Grounds, settings: FlagSettings) -> Found:
    clips = usable(grounds.coverage)
    used, frames = sum(clip.frames_used for clip in clips), sum(clip.frames for clip in clips)
    for clip in clips:
        yield from _of_recording(clip, settings)
    poor = used < settings.usable_frames or used < settings.usable_share * frames
    if poor:
        yield "poor-scan", {"used": used, "frames": frames}
    if grounds.shelled.count.estimate == 0 and grounds.follicles.count.estimate == 0:
        yield "none-seen-poor-scan" if poor else "none-seen", {}
    unknown = [clip.file for clip in clips if clip.window is None]
    windows = swept_windows(clips)
    if unknown:
        yield "window-unknown", {"files": ", ".join(unknown)}
    elif len(windows) == 1:
        yield "one-window-only", {"window": next(iter(windows))}
    if len(windows) == 2:
        yield from _of_windows(grounds, settings)


def _of_recording(clip: ClipCoverage, settings: FlagSettings) -> Found:
    quality, side = clip.quality, clip.quality.lost_side
    if quality.hint is not None and clip.frames_used < settings.usable_share * clip.frames:
        lost = clip.frames - clip.frames_used
        values = {"file": clip.file, "lost": lost, "frames": clip.frames, "causes": quality.causes}
        yield "poor-clip", {**values, "hint": quality.hint}
    elif side is not None:
        yield "side-lost", {"file": clip.file, "side": side}


def _of_windows(grounds: Grounds, settings: FlagSettings) -> Found:
    window_of = {clip.file: clip.window for clip in grounds.coverage}
    seen = {"left": 0, "right": 0}
    for egg in grounds.shelled.eggs:
        for window in {window_of.get(member.file) for member in egg.members} & set(seen):
            seen[str(window)] += 1
    difference, larger = abs(seen["left"] - seen["right"]), max(seen.values())
    if difference >= settings.window_difference and difference >= settings.window_difference_share * larger:
        yield "windows-disagree", dict(seen)


def _of_count(grounds: Grounds, settings: FlagSettings) -> Found:
    count, confidence = grounds.shelled.count, grounds.shelled.confidence
    values: dict[str, object] = {"estimate": count.estimate, "confidence": confidence}
    if confidence < settings.unreliable_confidence:
        yield "unreliable-count", values
    elif confidence < settings.low_confidence:
        yield "low-confidence", values
    # What the sweeps crossed; doubt about the rest of the animal has flags of its own.
    low, high = (grounds.shelled.crossed.quantile(level) for level in (0.05, 0.95))
    width = high - low
    if width > settings.wide_interval and width > settings.wide_interval_share * count.estimate:
        yield "wide-interval", {"low": low, "high": high}
    if grounds.doubtful:
        yield "doubtful-objects", {"places": "; ".join(grounds.doubtful)}
