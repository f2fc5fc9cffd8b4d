"""Reasons in what became of the animal since an earlier exam."""

from __future__ import annotations

from pipeline.estimate.flags.inputs import FlagInputs, RaisedFlags
from pipeline.estimate.results import Change, PassedEggs
from pipeline.formatting import date_text
from pipeline.settings import ChangeSettings

__all__ = ["change_flags"]


def change_flags(inputs: FlagInputs, settings: ChangeSettings) -> RaisedFlags:
    history = inputs.history
    longest = history.retention.bounds[1] if history.retention and history.retention.bounds else None
    days = history.shell_days
    if history.retention and history.shells_since and longest is not None and days is not None and days > longest:
        values = {"days": days, "longest": f"{longest:g}", "sources": history.retention.sources}
        yield "shells-retained", {**values, "date": date_text(history.shells_since)}
    if history.change is not None:
        yield from _since(inputs, history.change, settings)


def _since(inputs: FlagInputs, change: Change, settings: ChangeSettings) -> RaisedFlags:
    then = next(visit for visit in reversed(inputs.history.visits[:-1]) if visit.date == change.since)
    now = inputs.history.visits[-1]
    date = date_text(change.since)
    shelled = {"now": now.shelled.estimate, "then": then.shelled.estimate, "date": date}
    # Later she may carry the next clutch, of which nothing is known.
    soon = change.days < settings.minimum_new_clutch_days
    if soon and change.risen >= settings.change_probability:
        yield "count-rose", {**shelled, "passed": _passed_words(change.passed)}
    if change.passed.is_whole and change.missing >= settings.change_probability:
        yield (
            "eggs-missing",
            {**shelled, "passed": _passed_words(change.passed) or ", and none is known to have left her"},
        )
    if change.regressed >= settings.change_probability:
        yield "follicles-regressing", {"now": now.follicles.estimate, "then": then.follicles.estimate, "date": date}
    sure_stages = min(then.stage_probability, now.stage_probability) >= settings.change_probability
    if soon and sure_stages and (then.stage, now.stage) == ("calcified", "thin-shelled"):
        yield "stage-went-back", {"date": date}


def _passed_words(passed: PassedEggs) -> str:
    if not passed.number:
        return ""
    return f", and {passed.number} {'is' if passed.number == 1 else 'are'} known to have left her since"
