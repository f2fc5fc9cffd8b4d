from __future__ import annotations

import string
from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration_file import ConfidenceCalibration
from pipeline.estimate.candidates import CandidatePosterior
from pipeline.estimate.clutch_prior import ClutchPrior
from pipeline.estimate.counts import estimate_count
from pipeline.estimate.flags import FLAG_DEFINITIONS, FlagInputs, evaluate_flags
from pipeline.estimate.flags.catalogue import SEVERITIES, by_urgency
from pipeline.estimate.results import EggFinding, Flag, History
from pipeline.exams.species import load_profiles
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import load_settings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass, poisson_binomial
from pipeline.track.merging.merge import Egg, EggTrack
from tests.pipeline.estimate.known_detection_rate import missed_at_rate

SETTINGS = load_settings()
PROFILES = load_profiles()
LEFT = ClipCoverage("left-1.mp4", "left", "done", None, 300, 280)
RIGHT = ClipCoverage("right-1.mp4", "right", "done", None, 300, 280)


def counted(left=0, right=0, *, existence=0.99, shift=None, rate=0.999, has_repeat_passes=True):
    files = ["left-1.mp4"] * left + ["right-1.mp4"] * right
    eggs = tuple(
        Egg(k, (EggTrack(file, k),), existence, np.array([0.02, 0.03, 0.95]), 0.9) for k, file in enumerate(files, 1)
    )
    chances = np.full(len(eggs), existence)
    return estimate_count(
        eggs,
        CandidatePosterior(poisson_binomial(chances.tolist()), chances),
        shift or point_mass(0),
        replace(missed_at_rate(rate), has_repeat_passes=has_repeat_passes),
        at_least=0,
        learned=SETTINGS.calibration.counts.shelled.model_copy(
            update={
                "inverse_temperature": 1.0,
                "interval_probability": 0.9,
                "confidence": ConfidenceCalibration(intercept=0.0, slope=1.0),
            }
        ),
        settings=SETTINGS.estimate,
        both_windows=True,
    )


def egg(number, stage="calcified"):
    return EggFinding(number, stage, 0.97, 0.98, "oval", 34.0, 20.0, 30.0, ())


UNREMARKABLE = FlagInputs(
    shelled=counted(3, 3),
    follicles=counted(),
    coverage=(LEFT, RIGHT),
    stage="calcified",
    stage_probability=0.97,
    eggs=(),
    crossing_outlines=(),
    doubtful_places=(),
    files_without_scale=(),
    probe_turned=False,
    species="Emys orbicularis",
    profile=PROFILES["emys-orbicularis"],
    history=History(),
)


def codes(**changed):
    return [flag.code for flag in evaluate_flags(replace(UNREMARKABLE, **changed), SETTINGS)]


def test_a_good_scan_of_a_clear_clutch_raises_nothing():
    assert codes() == []


NOTHING_USED = replace(LEFT, frames_used=0)
REFUSED = ClipCoverage("left-2.mp4", "left", "refused", "it ends after 12 bytes.", 0, 0)
LOST = replace(LEFT, frames_used=100, quality=ClipQuality((("no contact", 190), ("too fast", 10)), (0.1, 0.8)))
AS_GOOD = CountDistribution(-2, np.array([0.25, 0.05, 0.7]))  # within one with a probability of 0.75
WIDE = CountDistribution(-7, np.full(8, 1 / 8))


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("nothing-usable", {"coverage": (NOTHING_USED,)}),
        ("clip-refused", {"coverage": (LEFT, RIGHT, REFUSED)}),
        ("one-window-only", {"coverage": (LEFT,)}),
        ("window-unknown", {"coverage": (LEFT, replace(RIGHT, window=None))}),
        ("windows-disagree", {"shelled": counted(6, 1)}),
        ("poor-clip", {"coverage": (LOST, RIGHT)}),
        ("stood-still", {"coverage": (replace(LEFT, quality=ClipQuality(is_static=True)), RIGHT)}),
        ("side-lost", {"coverage": (replace(LEFT, quality=ClipQuality((), (0.9, 0.3))), RIGHT)}),
        ("poor-scan", {"coverage": (replace(LEFT, frames_used=20), replace(RIGHT, frames_used=20))}),
        ("narrow-contact", {"coverage": (replace(LEFT, quality=ClipQuality((), (0.4, 0.45))), RIGHT)}),
        ("none-seen", {"shelled": counted()}),
        ("low-confidence", {"shelled": counted(5, 5, shift=CountDistribution(-4, np.full(5, 0.2)))}),
        ("count-or-stage", {"shelled": counted(5, 5, shift=AS_GOOD), "stage_probability": 0.75}),
        ("unreliable-count", {"shelled": counted(10, 10, shift=WIDE)}),
        ("wide-interval", {"shelled": counted(4, 4, shift=WIDE)}),
        ("doubtful-objects", {"doubtful_places": ("left-1.mp4, frames 4 to 9",)}),
        ("stage-unsure", {"stage_probability": 0.5}),
        ("mixed-stages", {"eggs": (egg(1), egg(2, stage="follicle"))}),
        ("overlooked", {"shelled": counted(5, 5, existence=1.0, rate=0.6)}),
        ("listed-twice", {"shelled": counted(5, 5, shift=point_mass(-2))}),
        ("swept-once", {"shelled": counted(3, 3, has_repeat_passes=False)}),
        ("usual-clutch", {"shelled": replace(counted(3, 3), clutch_prior=ClutchPrior("Emys orbicularis", 3, 18, "x"))}),
        ("no-scale", {"files_without_scale": ("left-1.mp4",)}),
        ("unknown-species", {"species": None}),
        ("unknown-species", {"profile": None}),
    ],
)
def test_every_reason_is_raised_by_its_grounds(code, changed):
    assert code in codes(**changed)


def test_a_network_without_a_calibration_of_its_own_is_flagged_whatever_was_seen():
    uncalibrated = SETTINGS.model_copy(update={"is_calibrated": False})
    for coverage in (UNREMARKABLE.coverage, (REFUSED,)):
        raised = evaluate_flags(replace(UNREMARKABLE, coverage=coverage), uncalibrated)
        assert ("uncalibrated-network", "check") in [(flag.code, flag.severity) for flag in raised]


def test_none_seen_in_a_poor_scan_asks_for_another():
    found = codes(shelled=counted(), coverage=(replace(LEFT, frames_used=10), RIGHT))
    assert "none-seen" in found
    found = codes(shelled=counted(), coverage=tuple(replace(c, frames_used=10) for c in (LEFT, RIGHT)))
    assert "none-seen-poor-scan" in found
    assert "none-seen" not in found


def test_the_gravest_come_first_and_say_what_was_found():
    raised = evaluate_flags(replace(UNREMARKABLE, coverage=(REFUSED,), species=None), SETTINGS)
    assert [flag.severity for flag in raised] == ["vet today", "check", "note"]
    assert raised[1].reason == "left-2.mp4 could not be used: it ends after 12 bytes."


def test_number_and_stage_may_be_unsure_together_where_neither_is_alone():
    count = counted(5, 5, shift=AS_GOOD)
    assert SETTINGS.flags.low_confidence < count.confidence < 0.8
    assert codes(shelled=count) == []
    assert "count-or-stage" in codes(shelled=count, stage_probability=0.75)
    # Where one of the two is unsure by itself that is said, and nothing more.
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
def test_no_sweep_is_advised_that_was_made(coverage, probe_turned, advice):
    for code, count in (
        ("swept-once", counted(3, has_repeat_passes=False)),
        ("overlooked", counted(6, existence=1.0, rate=0.6)),
    ):
        inputs = replace(UNREMARKABLE, shelled=count, coverage=coverage, probe_turned=probe_turned)
        assert [flag.advice for flag in evaluate_flags(inputs, SETTINGS) if flag.code == code] == [advice]


def test_a_clip_that_lost_frames_tells_the_next_hand_what_to_do():
    (raised,) = (
        one
        for one in evaluate_flags(replace(UNREMARKABLE, coverage=(LOST, RIGHT)), SETTINGS)
        if one.code == "poor-clip"
    )
    assert raised.reason == ("left-1.mp4: 200 of 300 frames could not be used (190 no contact, 10 too fast).")
    assert raised.advice == (
        "For the next scan: more gel, the whole face of the probe on the skin, slower: most of the left side was lost"
        " to poor contact."
    )


def test_every_reason_of_the_catalogue_is_a_sentence_and_so_is_its_advice():
    for code, reason in FLAG_DEFINITIONS.items():
        assert code == code.lower().replace(" ", "-")
        for template in filter(None, (reason.reason_template, reason.advice_template)):
            fields = {name for _, name, _, _ in string.Formatter().parse(template) if name}
            assert template.format(**dict.fromkeys(fields, 0))[-1] in ".0", code


def test_a_probability_is_spelled_in_one_way():
    doubtful = counted(5, 5, shift=CountDistribution(-4, np.full(5, 0.2)))
    (raised,) = (
        one for one in evaluate_flags(replace(UNREMARKABLE, shelled=doubtful), SETTINGS) if one.code == "low-confidence"
    )
    assert raised.reason.endswith(f"with a probability of {100 * doubtful.confidence:.0f} %.")


def test_flags_are_ordered_by_severity_and_then_as_the_catalogue_lists_them() -> None:
    codes = list(FLAG_DEFINITIONS)
    flags = [Flag(code, FLAG_DEFINITIONS[code].severity, "seen") for code in reversed(codes)]
    ordered = by_urgency(flags)
    assert [flag.severity for flag in ordered] == sorted((flag.severity for flag in flags), key=SEVERITIES.index)
    for severity in SEVERITIES:
        same = [codes.index(flag.code) for flag in ordered if flag.severity == severity]
        assert same == sorted(same)
