"""Sizes of follicles in words, and what a sheet says about an animal in which only follicles were seen.

No border between size classes holds for all species: Mauremys mutica ovulates at 18.3 mm, standard deviation 1.4
(Cheng et al. 2010, Zoo Biol 29:50), Chelonoidis at 41 to 42 mm (Schramm et al. 2000). The borders are common practice,
no source; the upper one is about where a Mauremys may ovulate. They only name sizes, and say nothing about ovulation.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence

from pipeline.estimate.results import EggFinding
from pipeline.formatting import percent
from pipeline.language.translation import gettext, mark, ngettext

__all__ = ["FOLLICLE_CLASS_LEGEND", "follicle_class_text", "follicle_sizes_text", "follicles_only_text"]

# With the diameter in mm below which they end.
_CLASSES = ((mark("small"), 8.0), (mark("medium"), 15.0), (mark("large"), math.inf))
FOLLICLE_CLASS_LEGEND = mark(
    "Follicles by diameter: small under 8 mm, medium, large from 15 mm; it does not show when she will ovulate."
)


def follicle_class_text(egg: EggFinding) -> str:
    """The size class of a follicle, or two where its 90 % range leaves both open. Empty if it was not measured.

    For example "medium" or "medium to large".
    """
    diameter = _diameter_mm(egg)
    if diameter is None:
        return ""
    first, last = map(_class_of, _diameter_interval_mm(egg) or (diameter, diameter))
    if first == last:
        return gettext(first)
    return gettext("{smallest} to {largest}", smallest=gettext(first), largest=gettext(last))


def follicle_sizes_text(eggs: Sequence[EggFinding]) -> str:
    """How many listed follicles are of each class, for example "2 small, 3 large; 6 to 17 mm across".

    Empty if none was measured.
    """
    follicles = [egg for egg in eggs if egg.stage == "follicle"]
    diameters = [diameter for egg in follicles if (diameter := _diameter_mm(egg)) is not None]
    if not diameters:
        return ""
    numbers = Counter(map(_class_of, diameters))
    classes = ", ".join(f"{numbers[name]} {gettext(name)}" for name, _ in _CLASSES if numbers[name])
    low, high, middle = (f"{value:.0f}" for value in (min(diameters), max(diameters), statistics.median(diameters)))
    across = (
        gettext("{low} mm across", low=low)
        if low == high
        else gettext("{low} to {high} mm across, median {middle}", low=low, high=high, middle=middle)
    )
    missing = len(follicles) - len(diameters)
    unmeasured = ngettext("{number} not measured", "{number} not measured", missing) if missing else ""
    return "; ".join(filter(None, (classes, across, unmeasured)))


def follicles_only_text(probability: float, windows: str, scanned: str) -> str:
    """How sure it is that she carries follicles and no shelled egg, and what that rests on.

    probability : that the sweeps crossed follicles and no shelled egg;  windows, scanned : how she was scanned
    """
    return gettext(
        "{probability} sure that the sweeps crossed follicles and no shelled egg. Scanned: {windows}; {scanned}. None "
        "seen is never none: an egg may lie where no sweep reached.",
        probability=percent(probability),
        windows=windows,
        scanned=scanned,
    )


def _class_of(diameter_mm: float) -> str:
    return next(name for name, end in _CLASSES if diameter_mm < end)


def _diameter_mm(egg: EggFinding) -> float | None:
    """Of the circle with the area of the ellipse with its length and width."""
    if egg.length_mm is None or egg.width_mm is None or not math.isfinite(egg.length_mm + egg.width_mm):
        return None
    return math.sqrt(egg.length_mm * egg.width_mm)


def _diameter_interval_mm(egg: EggFinding) -> tuple[float, float] | None:
    """As if length and width were wrong together, which makes it rather too wide."""
    lengths, widths = egg.length_interval90_mm, egg.width_interval90_mm
    if lengths is None or widths is None:
        return None
    return math.sqrt(lengths[0] * widths[0]), math.sqrt(lengths[1] * widths[1])
