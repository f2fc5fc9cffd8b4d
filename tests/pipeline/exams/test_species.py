"""Species profiles: read from the shipped files, found by the names that people write, and never overstated."""

from __future__ import annotations

from pathlib import Path

import pytest

from configs.reading import ConfigError, config_path, read_toml
from pipeline.exams.species import Quantity, SpeciesProfile, find_profile, load_profiles, reference_range
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges

PROFILES = load_profiles()


def quantity(**values: object) -> Quantity:
    return Quantity.model_validate({"source": "Legler 1960", "certainty": "published", **values})


def test_every_profile_has_its_name_and_some_value() -> None:
    with_clutch = [profile for profile in PROFILES.values() if profile.clutch]
    assert len(PROFILES) >= 25
    assert len(with_clutch) >= 20
    for name, profile in PROFILES.items():
        assert profile.species.casefold() in (each.casefold() for each in profile.names), name
        assert profile.clutch or profile.shell or profile.shape, name


def test_no_name_belongs_to_two_profiles() -> None:
    names = [name.casefold() for profile in PROFILES.values() for name in profile.names]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("written", "species"),
    [
        ("Emys orbicularis", "Emys orbicularis"),
        ("testudo  HERMANNI boettgeri", "Testudo hermanni"),
        ("Sternotherus odoratus", "Sternotherus odoratus"),
        ("Sternotherus minor", "Kinosternidae"),
        ("Trachemys scripta elegans", "Trachemys scripta"),
        ("Trachemys decussata", None),
        ("Emysoides", None),
        ("", None),
        (None, None),
    ],
)
def test_profile_is_found_by_the_name_as_people_write_it(written: str | None, species: str | None) -> None:
    found = find_profile(written, PROFILES)
    assert (found.species if found else None) == species


def test_disagreeing_sources_give_the_widest_range() -> None:
    sources = [quantity(range=(4, 10)), quantity(mean=2.3, range=(1, 8)), quantity(mean=5.0)]
    together = reference_range(sources)
    assert together is not None
    assert together.bounds == (1, 10)
    assert together.means == (2.3, 5.0)
    assert together.sources == "Legler 1960"
    alone = reference_range([quantity(mean=5.0)])
    assert alone is not None
    assert alone.bounds is None
    assert reference_range([]) is None


def test_mean_and_deviation_alone_give_a_range_of_three_deviations() -> None:
    """Widths of Terrapene ornata, mean 21.72 and SD 1.04 mm, largest 26.3 (Legler 1960)."""
    assert quantity(mean=21.72, sd=1.04).bounds == pytest.approx((18.60, 24.84), abs=0.005)
    assert quantity(mean=21.72, sd=1.04, range=(20.0, 26.3)).bounds == pytest.approx((18.60, 26.3), abs=0.005)
    assert quantity(mean=1.0, sd=1.0).bounds == (0.0, 4.0)


def test_citation_states_the_certainty_of_a_source() -> None:
    assert quantity(mean=1.0).citation == "Legler 1960"
    assert quantity(mean=1.0, certainty="from memory").citation == "Legler 1960, from memory"


@pytest.mark.parametrize(
    ("right", "wrong", "message"),
    [
        ("range = [3, 18]", "range = [18, 3]", "must give the lower value first, got [18.0, 3.0]"),
        ("range = [3, 18]", "", "give mean or range, or both"),
        ("range = [3, 18]", "range = [3, 18]\nsd = 1.0", "sd needs its mean"),
        ('certainty = "from memory"', 'certainty = "sure"', "expected 'published'"),
        ('source = "Fritz 2001: 4 to 10 as a rule"', "", "source': missing"),
        ("[[clutch]]", "[[clutches]]", "did you mean 'clutch'?"),
    ],
)
def test_mistake_in_a_profile_is_named(tmp_path: Path, right: str, wrong: str, message: str) -> None:
    text = config_path("species/emys-orbicularis.toml").read_text(encoding="utf-8")
    assert right in text
    (tmp_path / "emys.toml").write_text(text.replace(right, wrong, 1), encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_toml(tmp_path / "emys.toml", SpeciesProfile)
    assert message in str(caught.value)


@pytest.mark.parametrize("name", PHANTOM_SPECIES)
def test_phantoms_lie_inside_the_published_ranges(name: str) -> None:
    """The phantoms of a species may have narrower ranges than its sources, never wider ones."""
    phantom = load_species_ranges(name)
    profile = find_profile(phantom.species, PROFILES)
    assert profile is not None
    for drawn, published in (
        (phantom.clutch, profile.clutch),
        (phantom.egg_length_mm, profile.egg_length_mm),
        (phantom.egg_width_mm, profile.egg_width_mm),
    ):
        reference = reference_range(published)
        assert reference is not None
        assert reference.bounds is not None
        assert reference.bounds[0] <= drawn[0] <= drawn[1] <= reference.bounds[1]
