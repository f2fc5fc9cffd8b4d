"""Which flags an exam raises, in which order, and when one takes the place of another."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.estimate.flags import evaluate_flags
from pipeline.estimate.results import Flag
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.scan.coverage import ClipCoverage
from pipeline.track.merging.count_distribution import CountDistribution
from tests.pipeline.estimate.flags.example_inputs import (
    LEFT,
    LOST,
    REFUSED,
    RIGHT,
    SETTINGS,
    UNREMARKABLE,
    WITHIN_ONE_75,
    counted,
)


def flags_of(**changed: Any) -> list[Flag]:
    return list(evaluate_flags(replace(UNREMARKABLE, **changed), SETTINGS))


def codes(**changed: Any) -> list[str]:
    return [flag.code for flag in flags_of(**changed)]


def flag_of(code: str, **changed: Any) -> Flag:
    (flag,) = (flag for flag in flags_of(**changed) if flag.code == code)
    return flag


def test_nothing_seen_in_a_poor_scan_asks_for_another_scan() -> None:
    found = codes(shelled=counted(), coverage=(replace(LEFT, frames_used=10), RIGHT))
    assert "none-seen" in found
    found = codes(shelled=counted(), coverage=tuple(replace(c, frames_used=10) for c in (LEFT, RIGHT)))
    assert "none-seen-poor-scan" in found
    assert "none-seen" not in found


def test_the_most_urgent_flags_come_first_with_what_was_found() -> None:
    flags = flags_of(coverage=(REFUSED,), species=None)
    assert [flag.severity for flag in flags] == ["vet today", "check", "note"]
    assert flags[1].reason == "left-2.mp4 could not be used: it ends after 12 bytes."


def test_nothing_but_the_clips_and_the_species_is_flagged_where_no_clip_is_usable() -> None:
    assert codes(coverage=(REFUSED,), stage_probability=0.1) == ["nothing-usable", "clip-refused"]


def test_an_unknown_species_and_a_missing_profile_are_told_apart() -> None:
    assert flag_of("unknown-species", species=None, profile=None).reason.startswith("The species is unknown,")
    assert "no profile of Emys orbicularis," in flag_of("unknown-species", profile=None).reason


def test_count_and_stage_may_be_unsure_together_although_neither_is_alone() -> None:
    count = counted(5, 5, correction=WITHIN_ONE_75)
    assert SETTINGS.flags.low_confidence < count.confidence < 0.8
    assert codes(shelled=count) == []
    assert "count-or-stage" in codes(shelled=count, stage_probability=0.75)
    # Where one of the two is unsure by itself, only that is flagged.
    assert "count-or-stage" not in codes(shelled=count, stage_probability=0.55)
    assert "count-or-stage" not in codes(shelled=counted(), follicles=counted(), stage_probability=0.5)


@pytest.mark.parametrize(
    ("coverage", "probe_turned", "advice"),
    [
        ((LEFT,), False, "Sweep there and back, or from both sides."),
        ((LEFT, RIGHT), False, "Sweep there and back, slowly."),
        ((LEFT,), True, "Sweep from the other side, too."),
        ((LEFT, RIGHT), True, "Sweep once more, slowly."),
    ],
)
def test_the_advice_leaves_out_sweeps_that_were_already_made(
    coverage: tuple[ClipCoverage, ...], probe_turned: bool, advice: str
) -> None:
    for code, count in (
        ("swept-once", counted(3, has_repeat_passes=False)),
        ("overlooked", counted(6, existence=1.0, rate=0.6)),
    ):
        assert flag_of(code, shelled=count, coverage=coverage, probe_turned=probe_turned).advice == advice


def test_a_clip_that_lost_frames_gives_advice_for_the_next_scan() -> None:
    flag = flag_of("poor-clip", coverage=(LOST, RIGHT))
    assert flag.reason == ("left-1.mp4: 200 of 300 frames could not be used (190 no contact, 10 too fast).")
    assert flag.advice == (
        "For the next scan: more gel, the whole face of the probe on the skin, slower: most of the left side was lost"
        " to poor contact."
    )


def test_a_clip_has_at_most_one_quality_flag() -> None:
    static_and_narrow = replace(LEFT, quality=ClipQuality((), (0.4, 0.45), is_static=True))
    assert codes(coverage=(static_and_narrow, RIGHT)) == ["stood-still"]


def test_an_egg_seen_from_both_windows_counts_for_both() -> None:
    left, right = (counted(4, 4).eggs[row].members for row in (0, 4))
    shelled = counted(4, 2)
    both = tuple(replace(egg, members=(*left, *right)) for egg in shelled.eggs)
    assert "windows-disagree" in codes(shelled=counted(4, 1))
    assert "windows-disagree" not in codes(shelled=replace(shelled, eggs=both))


def test_probabilities_are_whole_per_cent() -> None:
    doubtful = counted(5, 5, correction=CountDistribution(-4, np.full(5, 0.2)))
    reason = flag_of("low-confidence", shelled=doubtful).reason
    assert reason == f"Only {100 * doubtful.confidence:.0f} % sure of the count of shelled eggs (8 ± 1)."
    both = flag_of("count-or-stage", shelled=counted(5, 5, correction=WITHIN_ONE_75), stage_probability=0.75)
    assert both.reason == "Only 56 % sure of both count (10 ± 1) and stage (calcified)."
