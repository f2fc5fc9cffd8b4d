"""The sheet's sentences. Counts come with their range, and a count of zero is "none seen", never "none"."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence

from pipeline.estimate.results import Count, EggFinding
from pipeline.formatting import EN_DASH, MULTIPLICATION_SIGN, number_text, percent
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, ngettext, stored
from pipeline.report.sightings import measured_sizes_mm
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "clip_title",
    "follicle_count_text",
    "frame_time_text",
    "interval_text",
    "scan_text",
    "shelled_count_text",
    "shelled_text",
    "short_size_text",
    "size_summary_text",
    "size_text",
    "stage_mix_text",
    "windows_text",
]


def shelled_count_text(count: Count) -> str:
    """The estimate of shelled eggs.

    >>> shelled_count_text(Count(6, 8, (6, 10))), shelled_count_text(Count(0, 0, (0, 2)))
    ('8 shelled eggs', 'no shelled eggs seen')
    """
    if not count.estimate:
        return gettext("no shelled eggs seen")
    return ngettext("{number} shelled egg", "{number} shelled eggs", count.estimate)


def follicle_count_text(count: Count) -> str:
    """The estimate of follicles."""
    if not count.estimate:
        return gettext("no follicles seen")
    return ngettext("{number} follicle", "{number} follicles", count.estimate)


def interval_text(count: Count) -> str:
    """The 90 % interval in words.

    >>> interval_text(Count(6, 8, (6, 10))), interval_text(Count(0, 0, (0, 2)))
    ('likely 6 to 10', 'up to 2 may still be there')
    """
    low, high = count.interval90
    if high == 0:
        return gettext("she may still carry some")
    if count.estimate == 0 and low == 0:
        return ngettext("one may still be there", "up to {number} may still be there", high)
    return gettext("likely {low}", low=low) if low == high else gettext("likely {low} to {high}", low=low, high=high)


def shelled_text(shelled: Count) -> str:
    """For example "9 shelled eggs, likely 9 to 11"."""
    return f"{shelled_count_text(shelled)}, {interval_text(shelled)}"


def stage_mix_text(eggs: Sequence[EggFinding]) -> str:
    """How many eggs are at each stage, for example "8 calcified, 2 follicles". The most advanced stage comes first."""
    numbers = Counter(egg.stage for egg in eggs)
    calcified, thin, follicles = (numbers[stage] for stage in ("calcified", "thin-shelled", "follicle"))
    parts = [
        ngettext("{number} calcified", "{number} calcified", calcified) if calcified else "",
        ngettext("{number} thin-shelled", "{number} thin-shelled", thin) if thin else "",
        ngettext("{number} follicle", "{number} follicles", follicles) if follicles else "",
    ]
    return ", ".join(filter(None, parts))


def windows_text(scans: Sequence[ClipScan]) -> str:
    """Through which of the two windows she was scanned, judged by the clips that could be used.

    In English, as it is stored; `stored_text` translates it.
    """
    usable = [scan for scan in scans if scan.status == "done" and len(scan.used_frames)]
    windows = {scan.window for scan in usable}
    if not usable:
        return stored("not scanned: no recording could be used")
    if {"left", "right"} <= windows:
        return stored("both windows scanned")
    if None in windows:
        known = windows - {None}
        if not known:
            return stored("window unknown")
        return stored("{window} window, and clips of an unknown window").format(window=known.pop())
    return stored("{window} window only").format(window=windows.pop())


def scan_text(scans: Sequence[ClipScan]) -> str:
    """How much was recorded and how much of it could be used."""
    refused = sum(scan.status == "refused" for scan in scans)
    frames = sum(scan.frames for scan in scans if scan.status == "done")
    used = sum(len(scan.used_frames) for scan in scans)
    text = ngettext("{number} clip", "{number} clips", len(scans))
    if refused:
        text = gettext("{clips}, {number} refused", clips=text, number=refused)
    if frames:
        usable = gettext(
            "{used} of {frames} frames usable ({share})",
            used=number_text(used),
            frames=number_text(frames),
            share=percent(used / frames),
        )
        text = f"{text}; {usable}"
    return text


def size_text(egg: EggFinding, scale_known: bool) -> str:
    """Length and width of one egg with their 90 % ranges, or why they are missing."""
    length, width = _known(egg.length_mm), _known(egg.width_mm)
    if length is not None and width is not None:
        if egg.length_interval90_mm is not None and egg.width_interval90_mm is not None:
            length_range, width_range = map(_spread_text, (egg.length_interval90_mm, egg.width_interval90_mm))
            return f"{length:.0f} ({length_range}) {MULTIPLICATION_SIGN} {width:.0f} ({width_range}) mm"
        return f"{number_text(length, '.1f')} {MULTIPLICATION_SIGN} {number_text(width, '.1f')} mm"
    if length is not None:
        return gettext("{length} mm long", length=number_text(length, ".1f"))
    return gettext("size could not be measured") if scale_known else gettext("size unknown: no scale")


def short_size_text(egg: EggFinding, scale_known: bool) -> str:
    """The size without its range, for small pictures."""
    length, width = _known(egg.length_mm), _known(egg.width_mm)
    if length is None or width is None:
        return size_text(egg, scale_known)
    return f"{length:.0f} {MULTIPLICATION_SIGN} {width:.0f} mm"


def size_summary_text(eggs: Sequence[EggFinding], scale_known: bool) -> tuple[str, str]:
    """Median size, and the smallest and largest: of the shelled eggs, or of the follicles if there is no shelled egg.

    The second text is empty where no size was measured.
    """
    chosen = [egg for egg in eggs if egg.stage != "follicle"] or list(eggs)
    if not chosen:
        return gettext("nothing measured"), ""
    sizes = measured_sizes_mm(chosen)
    if not sizes:
        return gettext("could not be measured") if scale_known else gettext("unknown: no scale"), ""
    lengths, widths = zip(*sizes, strict=True)
    middle = f"{statistics.median(lengths):.0f} {MULTIPLICATION_SIGN} {statistics.median(widths):.0f} mm"
    if len(sizes) == 1:
        return middle, gettext("one measured")
    return middle, gettext(
        "median of {eggs}; length {lengths}, width {widths} mm",
        eggs=len(sizes),
        lengths=_spread_text(lengths),
        widths=_spread_text(widths),
    )


def clip_title(scan: ClipScan) -> str:
    """The clip's name, followed by its window if the name does not contain it."""
    if scan.window is None or scan.window in scan.file:
        return scan.file
    return f"{scan.file} ({stored_text(scan.window)})"


def frame_time_text(frame: int, frame_rate: float | None) -> str:
    """A moment of a clip in seconds. If the frame rate is unknown, the frame number, from 0."""
    return f"{number_text(frame / frame_rate, '.1f')} s" if frame_rate else gettext("frame {frame}", frame=frame)


def _spread_text(values: Sequence[float]) -> str:
    """Smallest and largest in whole numbers, or one number if both round to it."""
    low, high = f"{min(values):.0f}", f"{max(values):.0f}"
    return low if low == high else f"{low}{EN_DASH}{high}"


def _known(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else value
