"""Frames with faults: drawn ones, and those of a simulated animal that kicks the probe off its skin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.ingest.quality.frame_quality import FrameQuality, FrameQualityAssessor
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import load_settings
from synthetic.anatomy.animal import StageCounts, draw_animal
from synthetic.anatomy.species import load_species_ranges
from synthetic.film.film import ClipRenderer
from synthetic.film.hand import draw_sweep
from synthetic.film.machine import draw_machine
from synthetic.film.tissue_motion import draw_breath
from tests.pipeline.ingest.sector_screens import require_sector

HEIGHT, WIDTH = 240, 320
BOX = np.s_[40:200, 60:260]
Grey = NDArray[np.uint8]


@pytest.fixture
def sector() -> Sector:
    mask = np.zeros((HEIGHT, WIDTH), dtype=np.bool_)
    mask[BOX] = True
    return Sector("rectangle", mask, (60, 40, 260, 200))


def speckle(seed: int, level: float = 60.0) -> Grey:
    noise = np.random.default_rng(seed).rayleigh(level, (HEIGHT, WIDTH))
    # The brightness of tissue changes over a few cm, more slowly than speckle.
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    tissue = 1 + 0.5 * np.sin(x / 30) * np.cos(y / 25)
    return np.clip(noise * tissue, 0, 255).astype(np.uint8)


def assess_last(sector: Sector, *frames: Grey, is_video: bool = True) -> FrameQuality:
    """The quality of the last frame."""
    assessor = FrameQualityAssessor(sector, load_settings().ingest)
    return [assessor.assess(frame, is_video=is_video) for frame in frames][-1]


def test_an_ordinary_frame_is_usable(sector: Sector) -> None:
    assert assess_last(sector, speckle(2), speckle(1)) == FrameQuality(True, None, False, (1.0, 1.0))


def test_a_dark_sector_in_a_bright_screen_is_too_dark(sector: Sector) -> None:
    grey = np.full((HEIGHT, WIDTH), 250, np.uint8)
    grey[sector.mask] = 3
    assert assess_last(sector, grey) == FrameQuality(False, "too dark", False, (0.0, 0.0))


def test_a_white_sector_is_saturated(sector: Sector) -> None:
    grey = speckle(1)
    grey[20:160] = 255
    assert assess_last(sector, grey).rejection_cause == "saturated"


def test_a_probe_in_air_has_no_contact(sector: Sector) -> None:
    grey = np.where(np.arange(HEIGHT)[:, None] < 65, speckle(1), 0).astype(np.uint8)
    assert assess_last(sector, grey) == FrameQuality(False, "no contact", False, (0.0, 0.0))


def test_bands_across_all_beams_are_no_contact_but_layers_of_skin_are_not(sector: Sector) -> None:
    depth = np.arange(HEIGHT)[:, None] - 40
    bands = 0.4 + np.clip(np.cos(2 * np.pi * depth / 20), 0, 1)
    assert assess_last(sector, (speckle(1, 30.0) * bands).clip(0, 255).astype(np.uint8)).rejection_cause == "no contact"
    skin = np.where(depth < 45, bands, 1.0)
    assert assess_last(sector, (speckle(1, 30.0) * skin).clip(0, 255).astype(np.uint8)).usable


@pytest.mark.parametrize("halvings", [0.0, 4.0, 8.0])
def test_haze_that_fades_with_depth_is_not_a_band(sector: Sector, halvings: float) -> None:
    depth = (np.arange(HEIGHT)[:, None] - 40) / 160
    fading = 2.0 ** (-halvings * depth) if halvings else 1 - depth
    grain = np.random.default_rng(1).rayleigh(0.2, (HEIGHT, WIDTH)) + 0.75
    assert assess_last(sector, (150 * fading * grain).clip(0, 255).astype(np.uint8)).usable


def test_black_shown_as_grey_has_no_contact_even_if_the_sector_is_too_large(sector: Sector) -> None:
    grey = np.where(np.arange(HEIGHT)[:, None] < 65, speckle(1), 0).astype(np.uint8)
    grey[65:] = np.random.default_rng(1).integers(12, 26, (HEIGHT - 65, WIDTH))
    grey[:, :64] = 0  # outside the echoes
    assert assess_last(sector, grey).rejection_cause == "no contact"


def test_even_tissue_without_dark_places_has_contact(sector: Sector) -> None:
    assert assess_last(sector, np.full((HEIGHT, WIDTH), 90, np.uint8)).contact == (1.0, 1.0)


def test_contact_is_reported_for_each_side(sector: Sector) -> None:
    grey = speckle(1)
    grey[70:, 60:120] = 0  # 60 of the 100 columns of the left half
    left, right = assess_last(sector, grey).contact
    assert (left, right) == (pytest.approx(0.4, abs=0.07), 1.0)


def test_a_frozen_picture_is_repeated_even_if_a_clock_runs_outside(sector: Sector) -> None:
    before, now = speckle(1), speckle(1)
    now[:15] = 255
    assert assess_last(sector, before, now) == FrameQuality(True, None, True, (1.0, 1.0))


def test_a_screen_frozen_for_long_is_rejected_until_it_moves(sector: Sector) -> None:
    assessor = FrameQualityAssessor(sector, load_settings().ingest)
    after = load_settings().ingest.frozen_after_frames
    causes = [assessor.assess(speckle(1)).rejection_cause for _ in range(after + 3)]
    assert causes == [None] * (after + 1) + ["frozen"] * 2
    assert assessor.assess(speckle(2)).usable


def test_real_motion_is_not_repeated(sector: Sector) -> None:
    assert not assess_last(sector, np.roll(speckle(1), 1, axis=0), speckle(1)).repeated


def test_a_jump_to_another_place_is_too_fast_only_in_a_film(sector: Sector) -> None:
    elsewhere = np.roll(speckle(2), (40, 50), axis=(0, 1))
    assert assess_last(sector, elsewhere, speckle(1)).rejection_cause == "too fast"
    assert assess_last(sector, elsewhere, speckle(1), is_video=False).usable


def test_an_empty_sector_is_too_dark(sector: Sector) -> None:
    empty = Sector("rectangle", np.zeros_like(sector.mask), (0, 0, 0, 0))
    assert assess_last(empty, speckle(1), speckle(1)) == FrameQuality(False, "too dark", False, (0.0, 0.0))


def test_a_kick_that_breaks_the_contact_is_detected() -> None:
    """The measured contact follows the true contact, on a machine that shows black as black."""
    rng = np.random.default_rng(9301)
    profile = load_species_ranges("trachemys-scripta")
    animal = draw_animal(rng, profile, StageCounts(calcified=3))
    machine = draw_machine(rng, animal)
    sweep = draw_sweep(rng, animal, "left", 10)
    true_contact = np.array([1.0, 1.0, 0.7, 0.4, 0.1, 0.02, 0.02, 0.8, 1.0, 1.0])
    sweep = replace(sweep, contact=true_contact)
    frames = [frame.grey for frame in ClipRenderer(animal, machine, 1).render(sweep, draw_breath(rng, 10), 1)]

    assessor = FrameQualityAssessor(require_sector(frames), load_settings().ingest)
    qualities = [assessor.assess(frame) for frame in frames]
    measured = np.array([np.mean(quality.contact) for quality in qualities])
    # A machine with persistence shows a loss of contact a frame late.
    assert measured[[0, 1, 8, 9]].min() > 0.8
    assert measured[[4, 5, 6]].max() < 0.45
    assert qualities[6].rejection_cause == "no contact"
    assert all(qualities[index].usable for index in (0, 1, 9))


def test_hints_name_the_most_frequent_cause_and_the_side() -> None:
    assert ClipQuality().hint is None
    assert ClipQuality((("saturated", 9), ("too dark", 2))).hint == "use less gain"
    lost = ClipQuality((("no contact", 30),), (0.2, 0.9))
    assert lost.poor_contact_side == "left"
    assert lost.hint is not None
    assert lost.hint.startswith("use more gel")
    assert lost.hint.endswith("more slowly: most of the left side was lost to poor contact")
    assert ClipQuality((("no contact", 30),), (0.9, 0.2)).poor_contact_side == "right"
    # Contact was poor on both sides, or on neither.
    assert ClipQuality(contact=(0.2, 0.3)).poor_contact_side is None
    assert ClipQuality(contact=(0.6, 1.0)).poor_contact_side is None


def test_the_noise_of_a_codec_on_a_frozen_picture_is_not_motion(sector: Sector) -> None:
    """Every encoded picture differs slightly from the one before."""
    rng = np.random.default_rng(3)
    assessor = FrameQualityAssessor(sector, load_settings().ingest)
    frozen = speckle(1)
    for _ in range(30):
        assessor.assess(np.clip(frozen + rng.normal(0, 6, frozen.shape) + rng.normal(0, 1), 0, 255).astype(np.uint8))
        assert not assessor.has_moved
    assessor.assess(speckle(2))
    assert assessor.has_moved
    assessor.assess(frozen)
    assert assessor.has_moved
