"""Reasons in how she was scanned."""

from __future__ import annotations

from pipeline.estimate.flags.inputs import FlagInputs, RaisedFlags
from pipeline.formatting import percent
from pipeline.scan.coverage import ClipCoverage, swept_windows, usable_clips
from pipeline.settings import FlagSettings

__all__ = ["clip_flags", "scan_flags"]


def clip_flags(inputs: FlagInputs) -> RaisedFlags:
    """Recordings that could not be read, or not all of them, or are here twice."""
    for clip in inputs.coverage:
        if clip.status == "refused":
            yield "clip-refused", {"file": clip.file, "reason": clip.reason or "no reason was given."}
        elif clip.reason is not None:
            yield "clip-cut-short", {"file": clip.file, "reason": clip.reason}
        if clip.duplicate_locations:
            yield "same-recording", {"file": clip.file, "others": "; ".join(clip.duplicate_locations)}


def scan_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    """What the usable recordings show of her, and what would help."""
    clips = usable_clips(inputs.coverage)
    used, frames = sum(clip.frames_used for clip in clips), sum(clip.frames for clip in clips)
    for clip in clips:
        yield from _of_recording(clip, settings)
    poor = used < settings.poor_scan_usable_frames or used < settings.poor_scan_usable_share * frames
    if poor:
        yield "poor-scan", {"used": used, "frames": frames}
    if inputs.shelled.count.estimate == 0 and inputs.follicles.count.estimate == 0:
        yield "none-seen-poor-scan" if poor else "none-seen", {}
    unknown = [clip.file for clip in clips if clip.window is None]
    windows = swept_windows(clips)
    if unknown:
        yield "window-unknown", {"files": ", ".join(unknown)}
    elif len(windows) == 1:
        yield "one-window-only", {"window": next(iter(windows))}
    if len(windows) == 2:
        yield from _of_windows(inputs, settings)
    if inputs.files_without_scale:
        yield "no-scale", {"files": ", ".join(inputs.files_without_scale)}


def _of_recording(clip: ClipCoverage, settings: FlagSettings) -> RaisedFlags:
    quality, side = clip.quality, clip.quality.poor_contact_side
    if quality.hint is not None and clip.frames_used < settings.poor_scan_usable_share * clip.frames:
        lost = clip.frames - clip.frames_used
        values = {"file": clip.file, "lost": lost, "frames": clip.frames, "causes": quality.causes_text}
        yield "poor-clip", {**values, "hint": quality.hint}
    elif quality.is_static:
        yield "stood-still", {"file": clip.file}
    elif side is not None:
        yield "side-lost", {"file": clip.file, "side": side}
    elif max(quality.contact) < settings.narrow_contact_share:
        yield "narrow-contact", {"file": clip.file, "share": percent(sum(quality.contact) / 2)}


def _of_windows(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    window_of = {clip.file: clip.window for clip in inputs.coverage}
    seen = {"left": 0, "right": 0}
    for egg in inputs.shelled.eggs:
        for window in {window_of.get(member.file) for member in egg.members} & set(seen):
            seen[str(window)] += 1
    difference, larger = abs(seen["left"] - seen["right"]), max(seen.values())
    if difference >= settings.window_difference_eggs and difference >= settings.window_difference_share * larger:
        yield "windows-disagree", dict(seen)
