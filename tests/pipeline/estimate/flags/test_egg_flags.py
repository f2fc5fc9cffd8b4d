"""Remarks on single eggs against what is known of the species, where they are due and nowhere else."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from pipeline.estimate.flags import evaluate_flags
from pipeline.estimate.results import Difference, EggFinding, History, PassedEggs
from pipeline.exams.species import load_profiles, reference_range
from pipeline.formatting import MULTIPLICATION_SIGN
from tests.pipeline.estimate.flags.test_evaluate import PROFILES, SETTINGS, UNREMARKABLE


def egg(number: int, length: float | None = 34.0, width: float | None = 20.0, *, stage="calcified", shape="oval"):
    return EggFinding(number, stage, 0.97, 0.98, shape, length, width, 30.0, ())


def raised(*eggs: EggFinding, profile: str | None = "emys-orbicularis", **changed):
    inputs = replace(UNREMARKABLE, eggs=eggs, profile=PROFILES[profile] if profile else None, **changed)
    return {flag.code: flag for flag in evaluate_flags(inputs, SETTINGS)}


FOUR = [egg(number) for number in range(1, 5)]


def test_usual_eggs_of_the_species_are_no_matter() -> None:
    assert raised(*FOUR) == {}
    assert set(raised(*FOUR, profile=None)) == {"unknown-species"}


def test_an_egg_larger_than_any_known_is_remarked_on_with_the_sources() -> None:
    """Emys orbicularis: 30 to 39 by 18 to 22 mm, from memory."""
    remark = raised(*FOUR, egg(5, 31.0, 29.0, shape="round"))["large-egg"]
    assert remark.severity == "check"
    assert f"number 5 (31 {MULTIPLICATION_SIGN} 29 mm)" in remark.reason
    assert "length 30 to 39 mm, width 18 to 22 mm (no source named, from memory)" in remark.reason
    assert "cannot pass" in remark.advice
    assert "large-egg" in raised(egg(1, 46.0, 20.0))
    # Within 15 % of the range, which is what the outline and a scanner may be off.
    assert "large-egg" not in raised(egg(1, 44.0, 25.0))


def test_a_size_that_is_hardly_known_is_no_matter() -> None:
    touched = replace(egg(5, 46.0, 29.0), length_interval90_mm=(35.0, 60.0), width_interval90_mm=(20.0, 40.0))
    assert "large-egg" not in raised(*FOUR, touched)
    assert "large-egg" in raised(*FOUR, replace(touched, width_interval90_mm=(25.0, 33.0)))
    assert "large-egg" in raised(*FOUR, replace(touched, length_interval90_mm=(42.0, 50.0)))
    small = [replace(egg(n, 20.0, 13.0), width_interval90_mm=(10.0, 16.0)) for n in range(1, 5)]
    assert "small-eggs" in raised(*small)
    assert "small-eggs" not in raised(*small[:3], replace(small[3], width_interval90_mm=(10.0, 19.0)))
    assert "small-eggs" not in raised(*small[:3], replace(small[3], length_interval90_mm=(18.0, 31.0)))
    end = replace(egg(5, 12.0, 9.0), width_interval90_mm=(6.0, 21.0))
    assert "much-smaller" not in raised(*FOUR, end)
    assert "much-smaller" in raised(*FOUR, replace(end, width_interval90_mm=(6.0, 12.0)))


def test_a_follicle_is_held_against_no_egg() -> None:
    assert raised(egg(1, 60.0, 58.0, stage="follicle", shape="round")) == {}


def test_eggs_are_called_small_only_where_several_are() -> None:
    three = [egg(number, 20.0, 13.0) for number in range(1, 4)]
    assert "small-eggs" not in raised(*three)
    assert "small-eggs" in raised(*three, egg(4, 21.0, 12.0))
    assert "small-eggs" not in raised(*three, egg(4, 34.0, 20.0))
    # All seen end on: short, but as wide as they should be.
    assert "small-eggs" not in raised(*[egg(number, 20.5, 20.0, shape="round") for number in range(1, 5)])
    assert "small-eggs" not in raised(*[egg(number, 32.0, 14.0) for number in range(1, 5)])


def test_one_much_smaller_than_the_others() -> None:
    """A 20 mm egg in a clutch of 40 mm eggs is known (Duellman); beside the leatherback's it is usual."""
    clutch = [egg(number, 54.0, 53.0, shape="round") for number in range(1, 6)]
    odd = egg(6, 25.0, 24.0, shape="round")
    assert "number 6" in raised(*clutch, odd, profile=None)["much-smaller"].reason
    assert "much-smaller" not in raised(*clutch, odd, profile="dermochelys-coriacea")
    assert "much-smaller" not in raised(*clutch[:2], odd, profile=None)


def test_an_oval_egg_of_a_species_with_round_ones() -> None:
    assert "odd-shape" in raised(egg(1, 26.0, 22.0), profile="apalone-spinifera")
    assert "odd-shape" not in raised(egg(1, 34.0, 28.0), profile="testudo-graeca")
    # A round section of an oval egg is no wonder.
    assert "odd-shape" not in raised(egg(1, 20.0, 19.5, shape="round"))


def test_an_outline_longer_than_eggs_are() -> None:
    assert "odd-outline" in raised(egg(1, 45.0, 20.0), profile=None)
    assert "odd-outline" not in raised(egg(1, 36.0, 20.0), profile=None)


@pytest.mark.parametrize("size", [(None, None), (math.nan, 20.0), (34.0, None)])
def test_what_was_not_measured_is_not_remarked_on(size: tuple[float | None, float | None]) -> None:
    assert raised(egg(1, *size)) == {}


def history(estimate: int, interval: tuple[int, int], passed: int = 0) -> History:
    profile = load_profiles()["emys-orbicularis"]
    return History(
        together=Difference(estimate, interval),
        passed_of_clutch=PassedEggs(passed),
        usual_clutch=reference_range(profile.clutch),
    )


def test_a_clutch_outside_what_is_known_of_the_species() -> None:
    """3 to 18 (Fritz 2001, from memory); what has left her belongs to it."""
    assert raised(history=history(18, (16, 20))) == {}
    many = raised(history=history(24, (20, 27), passed=6))["unusual-clutch"]
    assert many.reason.startswith("24 eggs (6 passed, 18 seen) are more than known of the species: 3 to 18.")
    few = raised(history=history(1, (1, 2)))["unusual-clutch"]
    assert few.reason.startswith("1 shelled egg")
    assert "laid some already" in few.advice
