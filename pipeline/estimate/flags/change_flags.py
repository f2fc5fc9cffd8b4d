"""Flags about what changed since an earlier exam."""

from __future__ import annotations

from pipeline.estimate.flags.catalogue import NONE_PASSED_TEXT, passed_text
from pipeline.estimate.flags.inputs import FlagInputs
from pipeline.estimate.flags.raised_flag import RaisedFlag, RaisedFlags
from pipeline.estimate.results import Change, History
from pipeline.formatting import date_text
from pipeline.settings_tables import ChangeSettings

__all__ = ["change_flags"]


def change_flags(inputs: FlagInputs, settings: ChangeSettings) -> RaisedFlags:
    yield from _retention_flag(inputs.history)
    if inputs.history.change is not None:
        yield from _comparison_flags(inputs.history, inputs.history.change, settings)


def _retention_flag(history: History) -> RaisedFlags:
    """Where she has carried shells for longer than any source gives for the species."""
    retention, days = history.retention, history.shell_days
    if retention is None or retention.bounds is None or history.shells_since is None or days is None:
        return
    _, longest = retention.bounds
    if days > longest:
        yield RaisedFlag.of(
            "shells-retained",
            days=days,
            date=date_text(history.shells_since),
            longest=f"{longest:g}",
            sources=retention.sources,
        )


def _comparison_flags(history: History, change: Change, settings: ChangeSettings) -> RaisedFlags:
    then = next(visit for visit in reversed(history.visits[:-1]) if visit.date == change.since)
    now = history.visits[-1]
    date = date_text(change.since)
    # After that she may carry the next clutch, about which nothing is known.
    is_same_clutch = change.days < settings.minimum_new_clutch_days
    if is_same_clutch and change.risen >= settings.change_probability:
        yield RaisedFlag.of(
            "count-rose",
            now=now.shelled.estimate,
            then=then.shelled.estimate,
            date=date,
            passed=passed_text(change.passed),
        )
    if change.passed.is_whole and change.missing >= settings.change_probability:
        yield RaisedFlag.of(
            "eggs-missing",
            now=now.shelled.estimate,
            then=then.shelled.estimate,
            date=date,
            passed=passed_text(change.passed, if_none=NONE_PASSED_TEXT),
        )
    if change.regressed >= settings.change_probability:
        yield RaisedFlag.of("follicles-regressing", now=now.follicles.estimate, then=then.follicles.estimate, date=date)
    are_stages_sure = min(then.stage_probability, now.stage_probability) >= settings.change_probability
    if is_same_clutch and are_stages_sure and (then.stage, now.stage) == ("calcified", "thin-shelled"):
        yield RaisedFlag.of("stage-went-back", date=date)
