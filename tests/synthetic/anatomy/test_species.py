from __future__ import annotations

import re
from pathlib import Path

import pytest

from configs.reading import ConfigError, config_path, read_toml
from synthetic.anatomy.species import PHANTOM_SPECIES, SpeciesRanges, load_species_ranges
from synthetic.errors import PhantomError

RANGES = ("carapace_mm", "width_ratio", "height_ratio", "clutch", "egg_length_mm", "egg_width_mm", "follicle_mm")


def refusal(folder: Path, text: str) -> str:
    path = folder / "profile.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_toml(path, SpeciesRanges)
    return str(caught.value)


def shipped() -> str:
    return config_path("phantoms/emys-orbicularis.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", PHANTOM_SPECIES)
def test_every_shipped_profile_loads_and_is_possible(name: str) -> None:
    profile = load_species_ranges(name)
    assert profile.species.lower().replace(" ", "-") == name
    assert profile.egg_width_mm[1] <= profile.egg_length_mm[1]
    assert profile.egg_length_mm[1] < 0.5 * profile.carapace_mm[0]
    assert 0 < profile.height_ratio[0] <= profile.width_ratio[1] <= 1


def test_no_shipped_file_is_missing_from_the_list() -> None:
    folder = config_path("phantoms/emys-orbicularis.toml").parent
    assert sorted(path.stem for path in folder.glob("*.toml")) == sorted(PHANTOM_SPECIES)


def test_an_unknown_name_is_refused_with_the_names_that_are_known() -> None:
    with pytest.raises(PhantomError, match=r'no phantoms of the species "emys".*emys-orbicularis, gopherus-polyphemus'):
        load_species_ranges("emys")


@pytest.mark.parametrize("name", RANGES)
def test_a_reversed_range_is_refused_by_name(tmp_path: Path, name: str) -> None:
    low, high = getattr(load_species_ranges("emys-orbicularis"), name)
    lines = [f"{name} = [{high}, {low}]" if line.startswith(name) else line for line in shipped().splitlines()]
    text = refusal(tmp_path, "\n".join(lines))
    assert f"{name} must give the lower value first, got [{high}, {low}]" in text
    assert "profile.toml" in text


def test_a_wrong_key_is_refused_with_the_right_one(tmp_path: Path) -> None:
    text = refusal(tmp_path, shipped().replace("egg_width_mm", "egg_with_mm"))
    assert "key 'egg_with_mm': unknown key; did you mean 'egg_width_mm'?" in text
    assert "key 'egg_width_mm': missing" in text


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ("egg_length_mm = [30.0, 39.0]", "egg_length_mm = [190.0, 195.0]", "starts at 190 mm, .* is 185 mm long"),
        ("egg_width_mm = [18.0, 22.0]", "egg_width_mm = [90.0, 95.0]", r"starts at 90 mm, .* is 88\.8 mm high"),
        ("follicle_mm = [4.0, 18.0]", "follicle_mm = [89.0, 95.0]", r"starts at 89 mm, .* is 88\.8 mm high"),
    ],
)
def test_an_egg_larger_than_the_animal_is_refused_by_name(tmp_path: Path, right: str, wrong: str, said: str) -> None:
    """The largest animal of the profile is 185 mm long and 0.48 of that high."""
    assert right in shipped()
    name = right.split(" ")[0]
    assert re.search(f"{name} {said}", refusal(tmp_path, shipped().replace(right, wrong)))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [("clutch = [3, 12]", "clutch = [0, 12]"), ("carapace_mm = [130, 185]", "carapace_mm = [-130, 185]")],
)
def test_impossible_sizes_and_counts_are_refused(tmp_path: Path, right: str, wrong: str) -> None:
    assert right in shipped()
    assert f"key '{wrong.split(' ')[0]}[1]'" in refusal(tmp_path, shipped().replace(right, wrong))
