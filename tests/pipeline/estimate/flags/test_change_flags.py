"""Flags about what changed since an earlier exam."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.estimate.flags import evaluate_flags
from pipeline.estimate.results import History
from tests.pipeline.estimate.flags.example_inputs import SETTINGS, UNREMARKABLE
from tests.pipeline.estimate.test_history import counted, history, outcome, visit


def flags_of(known: History) -> dict[str, str]:
    """Codes and reasons of the flags that an exam with this history raises."""
    return {flag.code: flag.reason for flag in evaluate_flags(replace(UNREMARKABLE, history=known), SETTINGS)}


def test_an_expected_history_raises_no_flag() -> None:
    assert flags_of(history(visit(0, 6))) == {}
    assert flags_of(history(visit(0, 6), visit(5, 6))) == {}
    assert flags_of(history(visit(0, 6), visit(5, 4), outcomes=(outcome("laid", 2, 2),))) == {}


@pytest.mark.parametrize(("days", "is_raised"), [(28, False), (29, True)])
def test_shells_carried_longer_than_known_for_the_species(days: int, is_raised: bool) -> None:
    """Emys orbicularis: 3 to 4 weeks (Zuffi 1998)."""
    found = flags_of(history(visit(0, 6), visit(days, 6)))
    assert ("shells-retained" in found) == is_raised
    if is_raised:
        assert found["shells-retained"].startswith("Shells were first seen 29 days ago, on 1 May 2026; the longest")
        assert "species is 28 days" in found["shells-retained"]


def test_without_a_profile_no_time_is_flagged() -> None:
    assert "shells-retained" not in flags_of(history(visit(0, 6), visit(100, 6), profile=False))


def test_a_count_that_rose_with_no_time_for_new_eggs() -> None:
    assert "count-rose" in flags_of(history(visit(0, 5), visit(4, 8)))
    assert "count-rose" not in flags_of(history(visit(0, 5), visit(12, 8)))
    assert "count-rose" not in flags_of(history(visit(0, 5, 3), visit(4, 8)))
    assert "count-rose" not in flags_of(history(visit(0, counted(7, doubt=0.3)), visit(4, counted(8, doubt=0.3))))
    found = flags_of(history(visit(0, 5), visit(4, 5), outcomes=(outcome("laid", 2, 2),)))
    assert "5 now, 5 on 1 May 2026, and 2 are known to have left her since" in found["count-rose"]


def test_missing_eggs_that_are_not_known_to_have_left_her() -> None:
    found = flags_of(history(visit(0, 8), visit(4, 5)))
    assert (
        found["eggs-missing"]
        == "Fewer shelled eggs than on 1 May 2026: 5 now, 8 then, and none is known to have left her."
    )
    assert "eggs-missing" not in flags_of(history(visit(0, counted(8, doubt=0.3)), visit(4, counted(7, doubt=0.3))))
    assert "eggs-missing" not in flags_of(history(visit(0, 8), visit(4, 5), outcomes=(outcome("laid", 2, None),)))


def test_follicles_that_are_gone_and_did_not_become_eggs() -> None:
    assert "follicles-regressing" in flags_of(history(visit(0, 6, 6), visit(12, 6, 1)))
    assert "follicles-regressing" not in flags_of(history(visit(0, 6, 6), visit(12, 11, 1)))


def test_a_stage_that_went_back_within_one_clutch() -> None:
    back = history(visit(0, 6), visit(5, 6, stage="thin-shelled"))
    assert "stage-went-back" in flags_of(back)
    assert "stage-went-back" not in flags_of(history(visit(0, 6), visit(12, 6, stage="thin-shelled")))
    unsure = replace(visit(0, 6), stage_probability=0.7)
    assert "stage-went-back" not in flags_of(history(unsure, visit(5, 6, stage="thin-shelled")))
