"""Reasons in the numbers and the stage."""

from __future__ import annotations

from pipeline.estimate.flags.inputs import Found, Grounds
from pipeline.formatting import percent
from pipeline.scan.coverage import swept_windows
from pipeline.settings import FlagSettings

__all__ = ["of_count"]


def of_count(grounds: Grounds, settings: FlagSettings) -> Found:
    count, confidence = grounds.shelled.count, grounds.shelled.confidence
    values: dict[str, object] = {"estimate": count.estimate, "confidence": percent(confidence)}
    stage: dict[str, object] = {"stage": grounds.stage, "probability": percent(grounds.stage_probability)}
    both = confidence * grounds.stage_probability  # were they independent
    is_counted = count.estimate > 0 or grounds.follicles.count.estimate > 0
    stage_unsure = is_counted and grounds.stage_probability < settings.stage_probability
    if confidence < settings.unreliable_confidence:
        yield "unreliable-count", values
    elif confidence < settings.low_confidence:
        yield "low-confidence", values
    elif is_counted and not stage_unsure and both < settings.both_right:
        yield "count-or-stage", {**values, **stage, "both": percent(both)}
    listed, clutch = len(grounds.shelled.eggs), grounds.shelled.clutch
    if 0 < listed < count.estimate:
        yield "overlooked", {"more": count.estimate - listed, "advice": _next_sweep(grounds)}
    elif listed > count.estimate > 0:
        yield "listed-twice", {"fewer": listed - count.estimate}
    if count.estimate and not grounds.shelled.repeated:
        yield "swept-once", {"advice": _next_sweep(grounds)}
    if clutch is not None:
        yield "usual-clutch", vars(clutch)
    # What the sweeps crossed; doubt about the rest of the animal has flags of its own.
    low, high = (grounds.shelled.crossed.quantile(level) for level in (0.05, 0.95))
    width = high - low
    if width > settings.wide_interval and width > settings.wide_interval_share * count.estimate:
        yield "wide-interval", {"low": low, "high": high}
    if grounds.doubtful:
        yield "doubtful-objects", {"places": "; ".join(grounds.doubtful)}
    if stage_unsure:
        yield "stage-unsure", stage
    if len(grounds.stages) > 1:
        yield "mixed-stages", {"stages": " and ".join(grounds.stages)}


def _next_sweep(grounds: Grounds) -> str:
    """What would let eggs be met again, of what was not done yet."""
    from_both = len(swept_windows(grounds.coverage)) == 2
    if grounds.turned:
        return "Sweep once more, slowly." if from_both else "Sweep from the other side, too."
    return "Sweep there and back, slowly." if from_both else "Sweep there and back, or from both sides."
