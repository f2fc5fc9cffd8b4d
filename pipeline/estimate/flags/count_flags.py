"""Flags about the count and the stage."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.estimate.flags.catalogue import next_sweep_advice, within_one_text
from pipeline.estimate.flags.inputs import FlagInputs
from pipeline.estimate.flags.raised_flag import RaisedFlag, RaisedFlags
from pipeline.estimate.results import Sighting
from pipeline.formatting import frames_text, percent
from pipeline.scan.coverage import swept_windows
from pipeline.settings_tables import FlagSettings

__all__ = ["count_flags"]


def count_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    yield from _confidence_flags(inputs, settings)
    yield from _basis_flags(inputs)
    # Of what the sweeps crossed; uncertainty about the rest of the animal has flags of its own.
    low, high = (inputs.shelled.distribution.quantile(level) for level in (0.05, 0.95))
    width = high - low
    if width > settings.wide_interval_eggs and width > settings.wide_interval_share * inputs.shelled.count.estimate:
        yield RaisedFlag.of("wide-interval", low=low, high=high)
    yield from _follicle_flags(inputs, settings)
    if inputs.doubtful_objects:
        yield RaisedFlag.of("doubtful-objects", places="; ".join(map(_place_text, inputs.doubtful_objects)))
    if len(inputs.stages) > 1:
        yield RaisedFlag.of("mixed-stages", stages=" and ".join(inputs.stages))


def _confidence_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    """How sure the count and the stage are, each by itself or, where neither stands out, both together."""
    count, confidence = inputs.shelled.count, inputs.shelled.confidence
    is_counted = count.estimate > 0 or inputs.follicles.count.estimate > 0
    is_stage_unsure = is_counted and inputs.stage_probability < settings.stage_probability
    both = confidence * inputs.stage_probability  # if they are independent
    estimate = within_one_text(count.estimate)
    if confidence < settings.unreliable_confidence:
        yield RaisedFlag.of("unreliable-count", estimate=estimate, confidence=percent(confidence))
    elif confidence < settings.low_confidence:
        yield RaisedFlag.of("low-confidence", estimate=estimate, confidence=percent(confidence))
    elif is_counted and not is_stage_unsure and both < settings.count_and_stage_probability:
        yield RaisedFlag.of("count-or-stage", estimate=estimate, stage=inputs.stage, both=percent(both))
    if is_stage_unsure:
        yield RaisedFlag.of("stage-unsure", stage=inputs.stage, probability=percent(inputs.stage_probability))


def _follicle_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    low, high = inputs.follicles.count.interval90
    estimate = inputs.follicles.count.estimate
    if estimate and high - low > max(settings.wide_follicle_interval, settings.wide_follicle_share * estimate):
        yield RaisedFlag.of("wide-follicle-interval", low=low, high=high)


def _basis_flags(inputs: FlagInputs) -> RaisedFlags:
    """What the count rests on besides the listed eggs."""
    estimate, listed = inputs.shelled.count.estimate, len(inputs.shelled.eggs)
    advice = next_sweep_advice(probe_turned=inputs.probe_turned, both_windows=len(swept_windows(inputs.coverage)) == 2)
    if 0 < listed < estimate:
        yield RaisedFlag.of("overlooked", more=estimate - listed, advice=advice)
    elif listed > estimate > 0:
        yield RaisedFlag.of("listed-twice", fewer=listed - estimate)
    if estimate and not inputs.shelled.has_repeat_passes:
        yield RaisedFlag.of("swept-once", advice=advice)
    if (clutch := inputs.shelled.clutch_prior) is not None:
        yield RaisedFlag.of(
            "usual-clutch",
            species=clutch.species,
            lowest=clutch.lowest,
            highest=clutch.highest,
            sources=clutch.sources,
        )


def _place_text(sightings: Sequence[Sighting]) -> str:
    """left-1.mp4, frames 4 to 9 and right-1.mp4, frames 30 to 41"""
    return " and ".join(frames_text(one.clip, one.first_frame, one.last_frame) for one in sightings)
