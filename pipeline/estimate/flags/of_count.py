"""Reasons in the numbers and the stage."""

from __future__ import annotations

from pipeline.estimate.flags.grounds import Found, Grounds
from pipeline.report.words import percent
from pipeline.settings import FlagSettings

__all__ = ["of_count"]


def of_count(grounds: Grounds, settings: FlagSettings) -> Found:
    count, confidence = grounds.shelled.count, grounds.shelled.confidence
    values: dict[str, object] = {"estimate": count.estimate, "confidence": percent(confidence)}
    if confidence < settings.unreliable_confidence:
        yield "unreliable-count", values
    elif confidence < settings.low_confidence:
        yield "low-confidence", values
    listed, clutch = len(grounds.shelled.eggs), grounds.shelled.clutch
    if 0 < listed < count.estimate:
        yield "overlooked", {"more": count.estimate - listed}
    elif listed > count.estimate > 0:
        yield "listed-twice", {"fewer": listed - count.estimate}
    if count.estimate and not grounds.shelled.repeated:
        yield "swept-once", {}
    if clutch is not None:
        yield "usual-clutch", vars(clutch)
    # What the sweeps crossed; doubt about the rest of the animal has flags of its own.
    low, high = (grounds.shelled.crossed.quantile(level) for level in (0.05, 0.95))
    width = high - low
    if width > settings.wide_interval and width > settings.wide_interval_share * count.estimate:
        yield "wide-interval", {"low": low, "high": high}
    if grounds.doubtful:
        yield "doubtful-objects", {"places": "; ".join(grounds.doubtful)}
    if grounds.eggs and grounds.stage_probability < settings.stage_probability:
        yield "stage-unsure", {"stage": grounds.stage, "probability": percent(grounds.stage_probability)}
    if len(grounds.stages) > 1:
        yield "mixed-stages", {"stages": " and ".join(grounds.stages)}
