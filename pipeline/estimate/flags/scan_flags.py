"""Flags about how the animal was scanned."""

from __future__ import annotations

from pipeline.estimate.flags.inputs import FlagInputs
from pipeline.estimate.flags.raised_flag import RaisedFlag, RaisedFlags
from pipeline.formatting import percent
from pipeline.scan.coverage import ClipCoverage, swept_windows, usable_clips
from pipeline.settings_tables import FlagSettings

__all__ = ["clip_flags", "scan_flags"]


def clip_flags(inputs: FlagInputs) -> RaisedFlags:
    """Clips that could not be read, or only in part, or that are stored twice."""
    for clip in inputs.coverage:
        if clip.status == "refused":
            yield RaisedFlag.of("clip-refused", file=clip.file, reason=clip.reason or "no reason was given.")
        elif clip.reason is not None:
            yield RaisedFlag.of("clip-cut-short", file=clip.file, reason=clip.reason)
        if clip.duplicate_locations:
            yield RaisedFlag.of("same-recording", file=clip.file, others="; ".join(clip.duplicate_locations))


def scan_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    """How well the usable clips show the animal, and what would help."""
    clips = usable_clips(inputs.coverage)
    used, frames = sum(clip.frames_used for clip in clips), sum(clip.frames for clip in clips)
    for clip in clips:
        yield from _quality_flags(clip, settings)
    is_poor = used < settings.poor_scan_usable_frames or used < settings.poor_scan_usable_share * frames
    if is_poor:
        yield RaisedFlag.of("poor-scan", used=used, frames=frames)
    if inputs.shelled.count.estimate == 0 and inputs.follicles.count.estimate == 0:
        yield RaisedFlag.of("none-seen-poor-scan" if is_poor else "none-seen")
    without_window = [clip.file for clip in clips if clip.window is None]
    windows = swept_windows(clips)
    if without_window:
        yield RaisedFlag.of("window-unknown", files=", ".join(without_window))
    elif len(windows) == 1:
        window = next(iter(windows))
        yield RaisedFlag.of("one-window-only", window=window, other="right" if window == "left" else "left")
    if len(windows) == 2:
        yield from _window_difference(inputs, settings)
    if inputs.files_with_unclear_motion:
        yield RaisedFlag.of("hand-unclear", files=", ".join(inputs.files_with_unclear_motion))
    if inputs.files_without_scale:
        yield RaisedFlag.of("no-scale", files=", ".join(inputs.files_without_scale))


def _quality_flags(clip: ClipCoverage, settings: FlagSettings) -> RaisedFlags:
    """At most one for each clip: the one that cost most."""
    quality, side = clip.quality, clip.quality.poor_contact_side
    if quality.hint is not None and clip.frames_used < settings.poor_scan_usable_share * clip.frames:
        yield RaisedFlag.of(
            "poor-clip",
            file=clip.file,
            side=_side_text(clip),
            lost=clip.frames - clip.frames_used,
            frames=clip.frames,
            causes=quality.causes_text,
            hint=quality.hint,
        )
    elif quality.is_static:
        yield RaisedFlag.of("stood-still", file=clip.file, side=_side_text(clip))
    elif side is not None:
        yield RaisedFlag.of("side-lost", file=clip.file, lost=side, side=_side_text(clip))
    elif max(quality.contact) < settings.narrow_contact_share:
        share = percent(sum(quality.contact) / 2)
        yield RaisedFlag.of("narrow-contact", file=clip.file, side=_side_text(clip), share=share)


def _side_text(clip: ClipCoverage) -> str:
    """The side of the animal that a clip shows, or the clip itself where that is not known."""
    return f"her {clip.window} side" if clip.window else f"what {clip.file} shows"


def _window_difference(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    window_of = {clip.file: clip.window for clip in inputs.coverage}
    windows_of_eggs = [{window_of.get(member.file) for member in egg.members} for egg in inputs.shelled.eggs]
    left, right = (sum(window in windows for windows in windows_of_eggs) for window in ("left", "right"))
    difference = abs(left - right)
    if difference >= settings.window_difference_eggs and difference >= settings.window_difference_share * max(
        left, right
    ):
        yield RaisedFlag.of("windows-disagree", left=left, right=right)
