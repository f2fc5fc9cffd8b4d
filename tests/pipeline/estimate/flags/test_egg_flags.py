"""Flags about single eggs and what is known for the species: raised where they should be, and nowhere else."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from pipeline.estimate.flags import evaluate_flags
from pipeline.estimate.results import Difference, EggFinding, Flag, History, PassedEggs
from pipeline.exams.species import load_profiles, reference_range
from pipeline.formatting import MULTIPLICATION_SIGN
from tests.pipeline.estimate.flags.example_inputs import PROFILES, SETTINGS, UNREMARKABLE, egg


def flags_of(*eggs: EggFinding, profile: str | None = "emys-orbicularis", **changed: Any) -> dict[str, Flag]:
    inputs = replace(UNREMARKABLE, eggs=eggs, profile=PROFILES[profile] if profile else None, **changed)
    return {flag.code: flag for flag in evaluate_flags(inputs, SETTINGS)}


FOUR = [egg(number) for number in range(1, 5)]


def test_usual_eggs_of_the_species_raise_no_flag() -> None:
    assert flags_of(*FOUR) == {}
    assert set(flags_of(*FOUR, profile=None)) == {"unknown-species"}


def test_an_egg_larger_than_any_known_is_flagged_with_the_sources() -> None:
    """Emys orbicularis: 30 to 39 by 18 to 22 mm, from memory."""
    flag = flags_of(*FOUR, egg(5, 31.0, 29.0, is_oval=False))["large-egg"]
    assert flag.severity == "check"
    assert f"number 5 (31 {MULTIPLICATION_SIGN} 29 mm)" in flag.reason
    assert "length 30 to 39 mm, width 18 to 22 mm." in flag.reason
    assert flag.sources == "no source named, from memory"
    assert "cannot pass" in flag.advice
    assert "large-egg" in flags_of(egg(1, 46.0, 20.0))
    # Within 15 % of the range: the outline and the scale may be wrong by as much.
    assert "large-egg" not in flags_of(egg(1, 44.0, 25.0))


def test_several_eggs_are_listed_by_their_numbers() -> None:
    large = [egg(number, 46.0, 30.0) for number in (3, 5, 8)]
    size = f"(46 {MULTIPLICATION_SIGN} 30 mm)"
    assert f": number 3 {size}, number 5 {size} and number 8 {size};" in flags_of(*large)["large-egg"].reason
    assert f": number 3 {size} and number 5 {size};" in flags_of(*large[:2])["large-egg"].reason
    assert f": number 3 {size};" in flags_of(*large[:1])["large-egg"].reason


def test_an_uncertain_size_raises_no_flag() -> None:
    touched = replace(egg(5, 46.0, 29.0), length_interval90_mm=(35.0, 60.0), width_interval90_mm=(20.0, 40.0))
    assert "large-egg" not in flags_of(*FOUR, touched)
    assert "large-egg" in flags_of(*FOUR, replace(touched, width_interval90_mm=(25.0, 33.0)))
    assert "large-egg" in flags_of(*FOUR, replace(touched, length_interval90_mm=(42.0, 50.0)))
    small = [replace(egg(n, 20.0, 13.0), width_interval90_mm=(10.0, 16.0)) for n in range(1, 5)]
    assert "small-eggs" in flags_of(*small)
    assert "small-eggs" not in flags_of(*small[:3], replace(small[3], width_interval90_mm=(10.0, 19.0)))
    assert "small-eggs" not in flags_of(*small[:3], replace(small[3], length_interval90_mm=(18.0, 31.0)))
    end = replace(egg(5, 12.0, 9.0), width_interval90_mm=(6.0, 21.0))
    assert "much-smaller" not in flags_of(*FOUR, end)
    assert "much-smaller" in flags_of(*FOUR, replace(end, width_interval90_mm=(6.0, 12.0)))


def test_follicles_are_not_compared_with_eggs() -> None:
    assert flags_of(egg(1, 60.0, 58.0, stage="follicle", is_oval=False)) == {}


def test_eggs_are_called_small_only_if_several_were_measured_and_all_are() -> None:
    three = [egg(number, 20.0, 13.0) for number in range(1, 4)]
    assert "small-eggs" not in flags_of(*three)
    assert "small-eggs" in flags_of(*three, egg(4, 21.0, 12.0))
    assert "small-eggs" not in flags_of(*three, egg(4, 34.0, 20.0))
    # Within 15 % of the range.
    assert "small-eggs" not in flags_of(*[egg(number, 27.0, 16.0) for number in range(1, 5)])
    # All seen end on: short, but as wide as usual.
    assert "small-eggs" not in flags_of(*[egg(number, 20.5, 20.0, is_oval=False) for number in range(1, 5)])
    assert "small-eggs" not in flags_of(*[egg(number, 32.0, 14.0) for number in range(1, 5)])


def test_an_egg_much_smaller_than_the_others() -> None:
    """A 20 mm egg in a clutch of 40 mm eggs is known (Duellman); for the leatherback it is usual."""
    clutch = [egg(number, 54.0, 53.0, is_oval=False) for number in range(1, 6)]
    odd = egg(6, 25.0, 24.0, is_oval=False)
    assert "number 6" in flags_of(*clutch, odd, profile=None)["much-smaller"].reason
    assert "much-smaller" not in flags_of(*clutch, odd, profile="dermochelys-coriacea")
    assert SETTINGS.flags.minimum_measured_eggs == 4
    assert "much-smaller" in flags_of(*clutch[:3], odd, profile=None)
    assert "much-smaller" not in flags_of(*clutch[:2], odd, profile=None)


def test_an_oval_egg_of_a_species_with_round_eggs() -> None:
    assert "odd-shape" in flags_of(egg(1, 26.0, 22.0), profile="apalone-spinifera")
    assert "odd-shape" not in flags_of(egg(1, 34.0, 28.0), profile="testudo-graeca")
    # A section of an oval egg may be round.
    assert "odd-shape" not in flags_of(egg(1, 20.0, 19.5, is_oval=False))


def test_an_outline_too_long_for_its_width() -> None:
    assert "odd-outline" in flags_of(egg(1, 45.0, 20.0), profile=None)
    assert "odd-outline" not in flags_of(egg(1, 36.0, 20.0), profile=None)


@pytest.mark.parametrize("size", [(None, None), (math.nan, 20.0), (34.0, None)])
def test_an_egg_that_was_not_measured_raises_no_flag(size: tuple[float | None, float | None]) -> None:
    assert flags_of(egg(1, *size)) == {}


def history(estimate: int, interval: tuple[int, int], passed: int = 0) -> History:
    profile = load_profiles()["emys-orbicularis"]
    return History(
        together=Difference(estimate, interval),
        passed_of_clutch=PassedEggs(passed),
        usual_clutch=reference_range(profile.clutch),
    )


def test_a_clutch_outside_the_usual_range_of_the_species() -> None:
    """3 to 18 (Fritz 2001, from memory); eggs that have left her are part of the clutch."""
    assert flags_of(history=history(18, (16, 20))) == {}
    assert flags_of(history=history(20, (18, 22))) == {}
    assert flags_of(history=history(2, (1, 3))) == {}
    many = flags_of(history=history(24, (20, 27), passed=6))["unusual-clutch"]
    assert many.reason.startswith("24 eggs (6 passed, 18 seen): more than the usual clutch of 3 to 18.")
    few = flags_of(history=history(1, (1, 2)))["unusual-clutch"]
    assert few.reason.startswith("1 shelled egg: fewer than the usual clutch of 3 to 18.")
    assert "laid some already" in few.advice
