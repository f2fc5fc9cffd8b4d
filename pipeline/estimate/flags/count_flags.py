"""Reasons in the numbers and the stage."""

from __future__ import annotations

from pipeline.estimate.flags.inputs import FlagInputs, RaisedFlags
from pipeline.formatting import percent
from pipeline.scan.coverage import swept_windows
from pipeline.settings import FlagSettings

__all__ = ["count_flags"]


def count_flags(inputs: FlagInputs, settings: FlagSettings) -> RaisedFlags:
    count, confidence = inputs.shelled.count, inputs.shelled.confidence
    values: dict[str, object] = {"estimate": count.estimate, "confidence": percent(confidence)}
    stage: dict[str, object] = {"stage": inputs.stage, "probability": percent(inputs.stage_probability)}
    both = confidence * inputs.stage_probability  # were they independent
    is_counted = count.estimate > 0 or inputs.follicles.count.estimate > 0
    stage_unsure = is_counted and inputs.stage_probability < settings.stage_probability
    if confidence < settings.unreliable_confidence:
        yield "unreliable-count", values
    elif confidence < settings.low_confidence:
        yield "low-confidence", values
    elif is_counted and not stage_unsure and both < settings.count_and_stage_probability:
        yield "count-or-stage", {**values, **stage, "both": percent(both)}
    listed, clutch = len(inputs.shelled.eggs), inputs.shelled.clutch_prior
    if 0 < listed < count.estimate:
        yield "overlooked", {"more": count.estimate - listed, "advice": _next_sweep(inputs)}
    elif listed > count.estimate > 0:
        yield "listed-twice", {"fewer": listed - count.estimate}
    if count.estimate and not inputs.shelled.has_repeat_passes:
        yield "swept-once", {"advice": _next_sweep(inputs)}
    if clutch is not None:
        yield "usual-clutch", vars(clutch)
    # What the sweeps crossed; doubt about the rest of the animal has flags of its own.
    low, high = (inputs.shelled.distribution.quantile(level) for level in (0.05, 0.95))
    width = high - low
    if width > settings.wide_interval_eggs and width > settings.wide_interval_share * count.estimate:
        yield "wide-interval", {"low": low, "high": high}
    if inputs.doubtful_places:
        yield "doubtful-objects", {"places": "; ".join(inputs.doubtful_places)}
    if stage_unsure:
        yield "stage-unsure", stage
    if len(inputs.stages) > 1:
        yield "mixed-stages", {"stages": " and ".join(inputs.stages)}


def _next_sweep(inputs: FlagInputs) -> str:
    """What would let eggs be met again, of what was not done yet."""
    from_both = len(swept_windows(inputs.coverage)) == 2
    if inputs.probe_turned:
        return "Sweep once more, slowly." if from_both else "Sweep from the other side, too."
    return "Sweep there and back, slowly." if from_both else "Sweep there and back, or from both sides."
