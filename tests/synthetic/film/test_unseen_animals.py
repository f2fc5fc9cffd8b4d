from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import torch

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.appearance.grey_map import GreyMap, map_to_grey
from synthetic.appearance.random_settings import Draws
from synthetic.film.clips import write_subjects
from synthetic.film.subjects import PlannedClip, Subject
from synthetic.film.unseen_animals import LONG_EGG_SPECIES, REVERSED_GREY_MAP, unseen_subjects


def test_their_anatomy_is_outside_all_species_and_each_depends_only_on_its_place() -> None:
    shipped = [load_species_ranges(name) for name in PHANTOM_SPECIES]
    slender = LONG_EGG_SPECIES.egg_length_mm[0] / LONG_EGG_SPECIES.egg_width_mm[1]
    assert LONG_EGG_SPECIES.egg_length_mm[0] > max(profile.egg_length_mm[1] for profile in shipped)
    assert slender > max(profile.egg_length_mm[1] / profile.egg_width_mm[0] for profile in shipped)
    subjects = unseen_subjects(6, 15001, frames=5)
    assert subjects[:3] == unseen_subjects(3, 15001, frames=5)
    assert len({subject.stage_counts for subject in subjects}) > 2
    assert all(
        subject.stage_counts.calcified + subject.stage_counts.thin_shelled >= LONG_EGG_SPECIES.clutch[0]
        for subject in subjects
    )


def test_all_grey_maps_of_training_are_monotonic() -> None:
    echoes = torch.linspace(-40, 40, 60)[None, None]
    drawn = GreyMap.draw(Draws(200, torch.Generator().manual_seed(1)))
    assert bool((map_to_grey(echoes.expand(200, 1, 60), drawn).diff(dim=-1) >= 0).all())
    assert max(REVERSED_GREY_MAP[4:]) < min(REVERSED_GREY_MAP[:4])


def test_a_subject_is_filmed_with_its_own_grey_map_and_eggs(tmp_path: Path) -> None:
    own = unseen_subjects(1, 3, frames=3)[0]
    plain = Subject(own.name, own.species, StageCounts(calcified=4), clips=(PlannedClip("left", 3),))
    turned = replace(plain, grey_map_knots=own.grey_map_knots)
    shown = []
    for folder, subject in ((tmp_path / "plain", plain), (tmp_path / "turned", turned)):
        write_subjects(folder, [subject], seed=3, progress=lambda done, total: None, processes=1)
        with av.open(str(next(folder.rglob("*.mp4")))) as clip:
            shown.append(next(clip.decode(video=0)).to_ndarray(format="gray").astype(float))
    animals = json.loads((tmp_path / "turned" / "animals.json").read_text())
    assert animals["OWN-01"]["species"] == LONG_EGG_SPECIES.species
    inside = (shown[0] > 20) & (shown[1] > 20)
    assert np.corrcoef(shown[0][inside], shown[1][inside])[0, 1] < -0.5
