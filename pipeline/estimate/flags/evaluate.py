"""Which flags of the catalogue an exam raises."""

from __future__ import annotations

from pipeline.estimate.flags.catalogue import by_urgency, species_text
from pipeline.estimate.flags.change_flags import change_flags
from pipeline.estimate.flags.count_flags import count_flags
from pipeline.estimate.flags.egg_flags import egg_flags
from pipeline.estimate.flags.inputs import FlagInputs
from pipeline.estimate.flags.raised_flag import RaisedFlag, RaisedFlags
from pipeline.estimate.flags.scan_flags import clip_flags, scan_flags
from pipeline.estimate.results import Flag
from pipeline.language.style import stored_style
from pipeline.scan.coverage import usable_clips
from pipeline.settings import Settings

__all__ = ["evaluate_flags"]


def evaluate_flags(inputs: FlagInputs, settings: Settings) -> tuple[Flag, ...]:
    """The flags of an exam, most urgent first, then in the order of the catalogue. Their texts are in English."""
    with stored_style():  # an exam may be estimated while a page is written
        return by_urgency(raised.flag for raised in _raised_flags(inputs, settings))


def _raised_flags(inputs: FlagInputs, settings: Settings) -> RaisedFlags:
    if not settings.is_calibrated:
        yield RaisedFlag.of("uncalibrated-network")
    yield from clip_flags(inputs)
    if inputs.species is None or inputs.profile is None:
        yield RaisedFlag.of("unknown-species", species=species_text(inputs.species))
    if not usable_clips(inputs.coverage):
        yield RaisedFlag.of("nothing-usable")
        return
    yield from scan_flags(inputs, settings.flags)
    yield from count_flags(inputs, settings.flags)
    yield from egg_flags(inputs, settings.flags)
    yield from change_flags(inputs, settings.change)
