"""Every flag of the catalogue, raised by an exam that differs from an unremarkable one in what the flag is about."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.estimate.clutch_prior import ClutchPrior
from pipeline.estimate.counts import CountEstimate
from pipeline.estimate.flags import FLAG_DEFINITIONS, FlagDefinition, evaluate_flags
from pipeline.estimate.flags.catalogue import (
    SEVERITIES,
    by_urgency,
    next_sweep_advice,
    passed_text,
    species_text,
    within_one_text,
)
from pipeline.estimate.flags.raised_flag import RaisedFlag
from pipeline.estimate.results import Count, Difference, EggSigns, Flag, History, PassedEggs, Sighting
from pipeline.exams.species import reference_range
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.track.merging.count_distribution import CountDistribution, point_mass
from tests.pipeline.estimate.flags.example_inputs import (
    LEFT,
    LOST,
    PROFILES,
    REFUSED,
    RIGHT,
    SETTINGS,
    UNREMARKABLE,
    WIDE,
    WITHIN_ONE_75,
    counted,
    egg,
)
from tests.pipeline.estimate.test_history import history, visit


def hard_to_count(estimate: int, low: int, high: int) -> CountEstimate:
    return replace(counted(), count=Count(low, estimate, (low, high)))


POOR_SCAN = (replace(LEFT, frames_used=20), replace(RIGHT, frames_used=20))
BRIGHT = EggSigns(20.0, False, 0.5, 12.0, False, 10.0, "bright, even", "strong shell", 60.0, 5, {})
LARGE_CLUTCH = History(
    together=Difference(24, (20, 27)),
    passed_of_clutch=PassedEggs(6),
    usual_clutch=reference_range(PROFILES["emys-orbicularis"].clutch),
)

CASES: list[tuple[str, dict[str, Any]]] = [
    ("nothing-usable", {"coverage": (replace(LEFT, frames_used=0),)}),
    ("clip-refused", {"coverage": (LEFT, RIGHT, REFUSED)}),
    ("clip-cut-short", {"coverage": (LEFT, replace(RIGHT, reason="it ends after 200 frames."))}),
    ("same-recording", {"coverage": (LEFT, replace(RIGHT, duplicate_locations=("AF-0002, 2026-05-14, a.mp4",)))}),
    ("one-window-only", {"coverage": (LEFT,)}),
    ("window-unknown", {"coverage": (LEFT, replace(RIGHT, window=None))}),
    ("windows-disagree", {"shelled": counted(6, 1)}),
    ("poor-clip", {"coverage": (LOST, RIGHT)}),
    ("stood-still", {"coverage": (replace(LEFT, quality=ClipQuality(is_static=True)), RIGHT)}),
    ("side-lost", {"coverage": (replace(LEFT, quality=ClipQuality((), (0.9, 0.3))), RIGHT)}),
    ("poor-scan", {"coverage": POOR_SCAN}),
    ("narrow-contact", {"coverage": (replace(LEFT, quality=ClipQuality((), (0.4, 0.45))), RIGHT)}),
    ("no-scale", {"files_without_scale": ("left-1.mp4",)}),
    ("hand-unclear", {"files_with_unclear_motion": ("left-1.mp4",)}),
    ("none-seen", {"shelled": counted()}),
    ("none-seen-poor-scan", {"shelled": counted(), "coverage": POOR_SCAN}),
    ("low-confidence", {"shelled": counted(5, 5, correction=CountDistribution(-4, np.full(5, 0.2)))}),
    ("count-or-stage", {"shelled": counted(5, 5, correction=WITHIN_ONE_75), "stage_probability": 0.75}),
    ("unreliable-count", {"shelled": counted(10, 10, correction=WIDE)}),
    ("wide-interval", {"shelled": counted(4, 4, correction=WIDE)}),
    ("doubtful-objects", {"doubtful_objects": ((Sighting("left-1.mp4", 3, 4, 9, 6),),)}),
    ("stage-unsure", {"stage_probability": 0.5}),
    ("mixed-stages", {"eggs": (egg(1), egg(2, stage="follicle"))}),
    ("overlooked", {"shelled": counted(5, 5, existence=1.0, rate=0.6)}),
    ("listed-twice", {"shelled": counted(5, 5, correction=point_mass(-2))}),
    ("swept-once", {"shelled": counted(3, 3, has_repeat_passes=False)}),
    ("wide-follicle-interval", {"follicles": hard_to_count(20, 5, 40)}),
    ("usual-clutch", {"shelled": replace(counted(3, 3), clutch_prior=ClutchPrior("Emys orbicularis", 3, 18, "x"))}),
    ("uncalibrated-network", {"is_calibrated": False}),
    ("unknown-species", {"species": None}),
    ("unknown-species", {"profile": None}),
    ("large-egg", {"eggs": (egg(1, 46.0, 30.0),)}),
    ("small-eggs", {"eggs": tuple(egg(number, 20.0, 13.0) for number in range(1, 5))}),
    ("odd-shape", {"eggs": (egg(1, 26.0, 22.0),), "profile": PROFILES["apalone-spinifera"]}),
    ("odd-outline", {"eggs": (egg(1, 45.0, 20.0),)}),
    ("crossing-outlines", {"crossing_outlines": ((1, 2),)}),
    ("bright-fragments", {"eggs": (replace(egg(1), signs=BRIGHT),)}),
    ("no-wall", {"eggs": (egg(1, stage="thin-shelled"),)}),
    ("much-smaller", {"eggs": (*(egg(number) for number in range(1, 6)), egg(6, 12.0, 9.0))}),
    ("unusual-clutch", {"history": LARGE_CLUTCH}),
    ("shells-retained", {"history": history(visit(0, 6), visit(29, 6))}),
    ("count-rose", {"history": history(visit(0, 5), visit(4, 8))}),
    ("eggs-missing", {"history": history(visit(0, 8), visit(4, 5))}),
    ("follicles-regressing", {"history": history(visit(0, 6, 6), visit(12, 6, 1))}),
    ("stage-went-back", {"history": history(visit(0, 6), visit(5, 6, stage="thin-shelled"))}),
]


def flags_of(changed: dict[str, Any]) -> dict[str, Flag]:
    """The flags of an unremarkable exam with these changes. is_calibrated : of the settings, not of the exam"""
    inputs = {name: value for name, value in changed.items() if name != "is_calibrated"}
    settings = SETTINGS.model_copy(update={"is_calibrated": changed.get("is_calibrated", True)})
    return {flag.code: flag for flag in evaluate_flags(replace(UNREMARKABLE, **inputs), settings)}


def test_an_unremarkable_exam_raises_no_flag() -> None:
    assert flags_of({}) == {}


@pytest.mark.parametrize(("code", "changed"), CASES)
def test_each_flag_is_raised_in_sentences_with_its_severity(code: str, changed: dict[str, Any]) -> None:
    flag = flags_of(changed)[code]
    assert flag.severity == FLAG_DEFINITIONS[code].severity
    assert flag.reason.endswith(".")
    assert flag.advice == "" or flag.advice.endswith(".")
    for text in (flag.reason, flag.advice, flag.rescan):
        assert not re.search(r"[{}]|\.\.|  |(?<!^)None|\(\)", text), text


@pytest.mark.parametrize(
    ("estimate", "low", "high", "is_wide"), [(20, 5, 40, True), (3, 1, 7, False), (3, 0, 7, True), (30, 15, 45, False)]
)
def test_follicles_are_hard_to_count_if_the_range_is_as_wide_as_their_number(
    estimate: int, low: int, high: int, is_wide: bool
) -> None:
    flags = flags_of({"follicles": hard_to_count(estimate, low, high)})
    assert ("wide-follicle-interval" in flags) == is_wide
    if is_wide:
        assert flags["wide-follicle-interval"].reason == f"Follicles hard to count: {low} to {high}."


def test_sources_are_kept_apart_from_the_reason() -> None:
    flag = flags_of({"eggs": (egg(1, 46.0, 30.0),)})["large-egg"]
    assert flag.sources
    assert flag.sources not in flag.reason


@pytest.mark.parametrize(
    ("code", "changed", "text"),
    [
        ("one-window-only", {"coverage": (LEFT,)}, "Scan the right side: only the left one was scanned."),
        (
            "narrow-contact",
            {"coverage": (LEFT, replace(RIGHT, quality=ClipQuality((), (0.4, 0.44))))},
            "Scan her right side again, with a smaller probe or more gel: only 42 % of the beams had contact.",
        ),
    ],
)
def test_a_rescan_is_asked_for_in_words(code: str, changed: dict[str, Any], text: str) -> None:
    flag = flags_of(changed)[code]
    assert flag.rescan == text
    assert flag.needs_rescan


def test_every_flag_of_the_catalogue_can_be_raised() -> None:
    raised_later = {"recordings-moved"}  # tests/pipeline/batch/test_moved_recordings.py
    assert {code for code, _ in CASES} | raised_later == set(FLAG_DEFINITIONS)


def test_codes_are_lower_case_words_joined_by_hyphens() -> None:
    """They are part of result.json."""
    assert [code for code in FLAG_DEFINITIONS if not re.fullmatch(r"[a-z]+(-[a-z]+)*", code)] == []


def test_every_severity_of_the_catalogue_is_known() -> None:
    assert {definition.severity for definition in FLAG_DEFINITIONS.values()} == set(SEVERITIES)


def test_the_placeholders_of_a_definition_are_those_of_both_texts() -> None:
    assert FlagDefinition("note", "{file}: {lost} of {lost}", "See {hint}.").placeholders == {"file", "lost", "hint"}
    assert FlagDefinition("note", "None.").placeholders == set()


def test_a_code_outside_the_catalogue_is_refused() -> None:
    with pytest.raises(ValueError, match=r'^There is no flag "none-sen" in the catalogue\.$'):
        RaisedFlag.of("none-sen")


@pytest.mark.parametrize("values", [{}, {"file": "a.mp4"}, {"file": "a.mp4", "reason": "x.", "extra": 1}])
def test_values_must_be_those_of_the_placeholders(values: dict[str, object]) -> None:
    with pytest.raises(
        ValueError, match=r"^The texts of the flag \"clip-refused\" need values for \['file', 'reason'\]"
    ):
        RaisedFlag.of("clip-refused", **values)


def test_flags_are_sorted_by_severity_and_then_in_the_order_of_the_catalogue() -> None:
    codes = list(FLAG_DEFINITIONS)
    flags = [Flag(code, FLAG_DEFINITIONS[code].severity, "seen") for code in reversed(codes)]
    ordered = by_urgency(flags)
    assert len(ordered) == len(flags)
    assert SEVERITIES == ("vet today", "check", "note")
    assert [flag.severity for flag in ordered] == sorted((flag.severity for flag in flags), key=SEVERITIES.index)
    for severity in SEVERITIES:
        same = [codes.index(flag.code) for flag in ordered if flag.severity == severity]
        assert same == sorted(same)


def test_texts_that_depend_on_what_was_found() -> None:
    assert (within_one_text(13), within_one_text(0)) == ("13 ± 1", "0 or 1")
    assert passed_text(PassedEggs(1)) == ", and 1 is known to have left her since"
    assert passed_text(PassedEggs(3), if_none="x") == ", and 3 are known to have left her since"
    assert (passed_text(PassedEggs(0)), passed_text(PassedEggs(0), if_none="x")) == ("", "x")
    assert species_text(None) == "The species is unknown"
    assert species_text("Emys orbicularis") == "There is no profile of Emys orbicularis"
    assert next_sweep_advice(probe_turned=True, both_windows=False) == "Sweep from the other side, too."
