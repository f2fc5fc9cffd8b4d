"""Which reasons of the catalogue an exam gives."""

from __future__ import annotations

from pipeline.estimate.flags.catalogue import FLAG_DEFINITIONS, by_urgency
from pipeline.estimate.flags.change_flags import change_flags
from pipeline.estimate.flags.count_flags import count_flags
from pipeline.estimate.flags.egg_flags import egg_flags
from pipeline.estimate.flags.inputs import FlagInputs, RaisedFlags
from pipeline.estimate.flags.scan_flags import clip_flags, scan_flags
from pipeline.estimate.results import Flag
from pipeline.scan.coverage import usable_clips
from pipeline.settings import Settings

__all__ = ["evaluate_flags"]


def evaluate_flags(inputs: FlagInputs, settings: Settings) -> tuple[Flag, ...]:
    """The flags of an exam, gravest first, in the catalogue's order."""
    return by_urgency(
        Flag(code, FLAG_DEFINITIONS[code].severity, *(text.format(**values) for text in _texts(code)))
        for code, values in _found(inputs, settings)
    )


def _texts(code: str) -> tuple[str, str]:
    return FLAG_DEFINITIONS[code].reason_template, FLAG_DEFINITIONS[code].advice_template


def _found(inputs: FlagInputs, settings: Settings) -> RaisedFlags:
    if not settings.is_calibrated:
        yield "uncalibrated-network", {}
    yield from clip_flags(inputs)
    if inputs.species is None:
        yield "unknown-species", {"species": "The species is not told"}
    elif inputs.profile is None:
        yield "unknown-species", {"species": f"There is no profile of {inputs.species}"}
    if not usable_clips(inputs.coverage):
        yield "nothing-usable", {}
        return
    yield from scan_flags(inputs, settings.flags)
    yield from count_flags(inputs, settings.flags)
    yield from egg_flags(inputs, settings.flags)
    yield from change_flags(inputs, settings.change)
