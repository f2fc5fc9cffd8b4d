"""Reasons in single eggs, and in what is known of the species.

A size is remarked on only where its 90 % interval lies outside of what is known, too: an egg that was only touched has
a wide one. That an egg seems round says little where oval ones may be seen end on; that one seems oval says much where
they are round.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.estimate.flags.inputs import FlagInputs, RaisedFlags
from pipeline.estimate.results import EggFinding
from pipeline.exams.species import ReferenceRange, SpeciesProfile, reference_range
from pipeline.formatting import MULTIPLICATION_SIGN, plural
from pipeline.settings import FlagSettings

__all__ = ["egg_flags"]


@dataclass(frozen=True)
class _Measured:
    """A shelled egg with both axes and their 90 % intervals, mm."""

    number: int
    length: float
    width: float
    length_interval90: tuple[float, float]
    width_interval90: tuple[float, float]

    @property
    def words(self) -> str:
        return f"number {self.number} ({self.length:.0f} {MULTIPLICATION_SIGN} {self.width:.0f} mm)"


def egg_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    shelled = [egg for egg in inputs.eggs if egg.stage != "follicle"]
    measured = list(_measured(shelled))
    profile = inputs.profile
    if profile is not None:
        yield from _sizes(measured, profile, settings)
        yield from _shapes(shelled, profile)
        yield from _clutch(inputs)
    yield from _among_themselves(measured, profile, settings)
    if long := [egg for egg in measured if egg.length > settings.implausible_aspect_ratio * egg.width]:
        yield "odd-outline", {"eggs": _listed(egg.words for egg in long)}
    if inputs.crossing_outlines:
        yield (
            "crossing-outlines",
            {"eggs": "; ".join(f"number {one} and number {two}" for one, two in inputs.crossing_outlines)},
        )
    if bright := [egg for egg in shelled if _is_bright_all_through(egg, settings)]:
        yield "bright-fragments", {"eggs": _listed(f"number {egg.identity}" for egg in bright)}


def _sizes(measured: Sequence[_Measured], profile: SpeciesProfile, settings: FlagSettings) -> RaisedFlags:
    lengths, widths = reference_range(profile.egg_length_mm), reference_range(profile.egg_width_mm)
    (shortest, longest), (narrowest, widest) = _bounds(lengths), _bounds(widths)
    above, below = 1 + settings.size_tolerance, 1 - settings.size_tolerance
    cited = _cited(lengths, widths)

    def is_large(egg: _Measured) -> bool:
        long = egg.length > above * longest and egg.length_interval90[0] > longest
        return long or (egg.width > above * widest and egg.width_interval90[0] > widest)

    def is_small(egg: _Measured) -> bool:
        short = egg.length < below * shortest and egg.length_interval90[1] < shortest
        return short and egg.width < below * narrowest and egg.width_interval90[1] < narrowest

    if large := [egg for egg in measured if is_large(egg)]:
        yield "large-egg", {"eggs": _listed(egg.words for egg in large), **cited}
    # Several tell their size; fewer may all have been crossed near an end.
    if len(measured) >= settings.minimum_measured_eggs and all(is_small(egg) for egg in measured):
        length, width = max(egg.length for egg in measured), max(egg.width for egg in measured)
        largest = f"{length:.0f} {MULTIPLICATION_SIGN} {width:.0f} mm"
        yield "small-eggs", {"number": len(measured), "largest": largest, **cited}


def _shapes(shelled: Sequence[EggFinding], profile: SpeciesProfile) -> RaisedFlags:
    oval = [egg for egg in shelled if egg.shape == "oval"]
    if oval and profile.shape is not None and profile.shape.value == "round":
        yield (
            "odd-shape",
            {"eggs": _listed(f"number {egg.identity}" for egg in oval), "sources": profile.shape.citation},
        )


def _clutch(inputs: FlagInputs) -> RaisedFlags:
    """The whole clutch, with what is known to have left her, where even its interval lies outside."""
    usual, together = inputs.history.usual_clutch, inputs.history.together
    if usual is None or usual.bounds is None or together is None or not inputs.shelled.count.estimate:
        return
    (low, high), (fewest, most) = together.interval90, usual.bounds
    passed = inputs.history.passed_of_clutch.number
    eggs = f"{together.estimate} eggs ({passed} passed, {together.estimate - passed} seen)"
    values = {
        "eggs": eggs if passed else plural(together.estimate, "shelled egg"),
        "known": f"{fewest:.0f} to {most:.0f}",  # whose sources the sheet tells where it sets her beside her species
    }
    if low > most:
        yield "unusual-clutch", {**values, "more": "more", "advice": "See whether eggs were counted twice."}
    elif high < fewest:
        advice = "She may have laid some already, or the scan missed some."
        yield "unusual-clutch", {**values, "more": "fewer", "advice": advice}


def _among_themselves(
    measured: Sequence[_Measured], profile: SpeciesProfile | None, settings: FlagSettings
) -> RaisedFlags:
    small_ones = profile.small_eggs_are_usual if profile is not None else None
    if len(measured) < settings.minimum_measured_eggs or (small_ones is not None and small_ones.value):
        return
    middle = statistics.median(egg.width for egg in measured)
    if small := [egg for egg in measured if _is_much_smaller(egg, middle, settings)]:
        yield "much-smaller", {"eggs": _listed(egg.words for egg in small)}


def _is_much_smaller(egg: _Measured, middle: float, settings: FlagSettings) -> bool:
    return egg.width < settings.small_egg_width_share * middle and egg.width_interval90[1] < middle


def _is_bright_all_through(egg: EggFinding, settings: FlagSettings) -> bool:
    """Of calcified ones alone: what lies in a thin shell may be seen bright through it."""
    inside = egg.signs.interior_db if egg.signs is not None and egg.stage == "calcified" else None
    return inside is not None and inside >= settings.calcified_bright_interior_db


def _measured(eggs: Sequence[EggFinding]) -> Iterator[_Measured]:
    for egg in eggs:
        length, width = egg.length_mm, egg.width_mm
        if length is not None and width is not None and math.isfinite(length + width):
            lengths, widths = egg.length_interval90_mm, egg.width_interval90_mm
            yield _Measured(egg.identity, length, width, lengths or (length, length), widths or (width, width))


def _bounds(size: ReferenceRange | None) -> tuple[float, float]:
    """Where nothing is known, what no size lies outside of."""
    return (0.0, math.inf) if size is None or size.bounds is None else size.bounds


def _cited(length: ReferenceRange | None, width: ReferenceRange | None) -> dict[str, object]:
    told = [(name, each) for name, each in (("length", length), ("width", width)) if each is not None]
    ranges = [f"{name} {each.bounds[0]:g} to {each.bounds[1]:g} mm" for name, each in told if each.bounds is not None]
    sources = dict.fromkeys(source for _, each in told for source in each.sources.split("; "))
    return {"known": ", ".join(ranges), "sources": "; ".join(sources)}


def _listed(words: Iterator[str]) -> str:
    """number 3, number 5 and number 8"""
    *others, last = words
    return f"{', '.join(others)} and {last}" if others else last
