"""Flags about single eggs, and about what is known for the species.

A size is flagged only if its 90 % interval lies outside the known range as well, since an egg that was only touched
has a wide interval. A round shape means little where eggs are oval, because an oval egg may be seen end on; an oval
shape means much where eggs are round.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.estimate.flags.catalogue import clutch_advice
from pipeline.estimate.flags.inputs import FlagInputs
from pipeline.estimate.flags.raised_flag import RaisedFlag, RaisedFlags
from pipeline.estimate.results import EggFinding
from pipeline.exams.species import ReferenceRange, SpeciesProfile, reference_range
from pipeline.formatting import MULTIPLICATION_SIGN, plural
from pipeline.settings_tables import FlagSettings

__all__ = ["egg_flags"]


@dataclass(frozen=True)
class _MeasuredEgg:
    """A shelled egg with both axes and their 90 % intervals, in mm."""

    number: int
    length: float
    width: float
    length_interval90: tuple[float, float]
    width_interval90: tuple[float, float]

    @property
    def text(self) -> str:
        return f"number {self.number} ({_size_text(self.length, self.width)})"


def egg_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    shelled = [egg for egg in inputs.eggs if egg.stage != "follicle"]
    measured = list(_measured_eggs(shelled))
    profile = inputs.profile
    if profile is not None:
        yield from _size_flags(measured, profile, settings)
        yield from _shape_flag(shelled, profile)
        yield from _clutch_flag(inputs)
    yield from _small_egg_flag(measured, profile, settings)
    if long := [egg for egg in measured if egg.length > settings.implausible_aspect_ratio * egg.width]:
        yield RaisedFlag.of("odd-outline", eggs=_listed(egg.text for egg in long)).about(egg.number for egg in long)
    if inputs.crossing_outlines:
        pairs = "; ".join(f"number {one} and number {other}" for one, other in inputs.crossing_outlines)
        yield RaisedFlag.of("crossing-outlines", eggs=pairs).about(inputs.crossing_outlines[0])
    if bright := [egg for egg in shelled if _is_bright_throughout(egg, settings)]:
        yield RaisedFlag.of("bright-fragments", eggs=_numbers_text(bright)).about(egg.identity for egg in bright)
    if bare := [egg for egg in shelled if egg.stage == "thin-shelled" and not _has_wall(egg, settings)]:
        yield RaisedFlag.of("no-wall", eggs=_numbers_text(bare)).about(egg.identity for egg in bare)


def _size_flags(measured: Sequence[_MeasuredEgg], profile: SpeciesProfile, settings: FlagSettings) -> RaisedFlags:
    lengths, widths = reference_range(profile.egg_length_mm), reference_range(profile.egg_width_mm)
    (shortest, longest), (narrowest, widest) = _bounds(lengths), _bounds(widths)
    above, below = 1 + settings.size_tolerance, 1 - settings.size_tolerance
    known, sources = _known_sizes_text(lengths, widths), _sources_text(lengths, widths)

    def is_large(egg: _MeasuredEgg) -> bool:
        is_long = egg.length > above * longest and egg.length_interval90[0] > longest
        return is_long or (egg.width > above * widest and egg.width_interval90[0] > widest)

    def is_small(egg: _MeasuredEgg) -> bool:
        is_short = egg.length < below * shortest and egg.length_interval90[1] < shortest
        return is_short and egg.width < below * narrowest and egg.width_interval90[1] < narrowest

    if large := [egg for egg in measured if is_large(egg)]:
        eggs = _listed(egg.text for egg in large)
        flag = RaisedFlag.of("large-egg", eggs=eggs, known=known, sources=sources)
        yield flag.about(egg.number for egg in large)
    # Only where several were measured: a few may all have been crossed near an end.
    if len(measured) >= settings.minimum_measured_eggs and all(is_small(egg) for egg in measured):
        largest = _size_text(max(egg.length for egg in measured), max(egg.width for egg in measured))
        yield RaisedFlag.of("small-eggs", number=len(measured), largest=largest, known=known, sources=sources)


def _shape_flag(shelled: Sequence[EggFinding], profile: SpeciesProfile) -> RaisedFlags:
    oval = [egg for egg in shelled if egg.shape == "oval"]
    if oval and profile.shape is not None and profile.shape.value == "round":
        flag = RaisedFlag.of("odd-shape", eggs=_numbers_text(oval), sources=profile.shape.citation)
        yield flag.about(egg.identity for egg in oval)


def _clutch_flag(inputs: FlagInputs) -> RaisedFlags:
    """Where the clutch, including eggs known to have left her, is outside the usual range with its whole interval."""
    usual, total = inputs.history.usual_clutch, inputs.history.together
    if usual is None or usual.bounds is None or total is None or not inputs.shelled.count.estimate:
        return
    (low, high), (fewest, most) = total.interval90, usual.bounds
    if fewest <= high and low <= most:
        return
    passed = inputs.history.passed_of_clutch.number
    with_passed = f"{total.estimate} eggs ({passed} passed, {total.estimate - passed} seen)"
    yield RaisedFlag.of(
        "unusual-clutch",
        eggs=with_passed if passed else plural(total.estimate, "shelled egg"),
        more="more" if low > most else "fewer",
        known=f"{fewest:.0f} to {most:.0f}",  # the sheet gives the sources where it compares her with her species
        advice=clutch_advice(larger=low > most),
    )


def _small_egg_flag(
    measured: Sequence[_MeasuredEgg], profile: SpeciesProfile | None, settings: FlagSettings
) -> RaisedFlags:
    """Eggs much smaller than the others of the clutch, unless small eggs are usual for the species."""
    small_eggs = profile.small_eggs_are_usual if profile is not None else None
    if len(measured) < settings.minimum_measured_eggs or (small_eggs is not None and small_eggs.value):
        return
    median_width = statistics.median(egg.width for egg in measured)
    small = [
        egg
        for egg in measured
        if egg.width < settings.small_egg_width_share * median_width and egg.width_interval90[1] < median_width
    ]
    if small:
        yield RaisedFlag.of("much-smaller", eggs=_listed(egg.text for egg in small)).about(egg.number for egg in small)


def _is_bright_throughout(egg: EggFinding, settings: FlagSettings) -> bool:
    """For calcified eggs only, because the contents of a thin-shelled egg may look bright through the shell."""
    interior_db = egg.signs.interior_db if egg.signs is not None and egg.stage == "calcified" else None
    return interior_db is not None and interior_db >= settings.calcified_bright_interior_db


def _has_wall(egg: EggFinding, settings: FlagSettings) -> bool:
    rim_db = egg.signs.rim_db if egg.signs is not None else None
    return rim_db is not None and rim_db >= settings.thin_shell_rim_db


def _measured_eggs(eggs: Sequence[EggFinding]) -> Iterator[_MeasuredEgg]:
    for egg in eggs:
        length, width = egg.length_mm, egg.width_mm
        if length is not None and width is not None and math.isfinite(length + width):
            lengths, widths = egg.length_interval90_mm, egg.width_interval90_mm
            yield _MeasuredEgg(egg.identity, length, width, lengths or (length, length), widths or (width, width))


def _bounds(known: ReferenceRange | None) -> tuple[float, float]:
    """Where nothing is known, bounds that hold every size."""
    return (0.0, math.inf) if known is None or known.bounds is None else known.bounds


def _known_sizes_text(length: ReferenceRange | None, width: ReferenceRange | None) -> str:
    """length 30 to 39 mm, width 18 to 22 mm"""
    bounds = [(name, known.bounds) for name, known in (("length", length), ("width", width)) if known is not None]
    return ", ".join(f"{name} {pair[0]:g} to {pair[1]:g} mm" for name, pair in bounds if pair is not None)


def _sources_text(*known: ReferenceRange | None) -> str:
    """Each source once."""
    sources = [source for each in known if each is not None for source in each.sources.split("; ")]
    return "; ".join(dict.fromkeys(sources))


def _size_text(length: float, width: float) -> str:
    return f"{length:.0f} {MULTIPLICATION_SIGN} {width:.0f} mm"


def _numbers_text(eggs: Iterable[EggFinding]) -> str:
    return _listed(f"number {egg.identity}" for egg in eggs)


def _listed(texts: Iterable[str]) -> str:
    """number 3, number 5 and number 8"""
    *others, last = texts
    return f"{', '.join(others)} and {last}" if others else last
