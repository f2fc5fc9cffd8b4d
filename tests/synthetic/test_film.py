from __future__ import annotations

import numpy as np
import pytest
import torch

from models.ellipsoid import section
from synthetic.anatomy import Order, draw_animal
from synthetic.bodies import Kind
from synthetic.film import HEIGHT, WIDTH, FilmedFrame, Machine, Studio, draw_machine
from synthetic.geometry import scan_convert
from synthetic.probe import Sweep, draw_sweep
from synthetic.species import PROFILES, load_profile

# More than are rendered at once, so that a clip's seams are met.
FRAMES = 11
ANIMAL = draw_animal(np.random.default_rng(1), load_profile("emys-orbicularis"), Order(calcified=6, follicles=3))


@pytest.fixture(scope="module")
def machine() -> Machine:
    return draw_machine(np.random.default_rng(2), ANIMAL)


@pytest.fixture(scope="module")
def sweep() -> Sweep:
    return draw_sweep(np.random.default_rng(3), ANIMAL, "left", FRAMES)


@pytest.fixture(scope="module")
def frames(machine: Machine, sweep: Sweep) -> list[FilmedFrame]:
    return list(Studio(ANIMAL, machine, 4).film(sweep, 5))


def test_a_clip_has_a_grey_picture_for_every_place_of_the_sweep(frames: list[FilmedFrame]) -> None:
    assert len(frames) == FRAMES
    for frame in frames:
        assert frame.grey.shape == (HEIGHT, WIDTH)
        assert frame.grey.dtype == np.uint8
        assert frame.grey[100:400, 200:440].std() > 5


def test_nothing_but_the_screen_lies_outside_the_sector(frames: list[FilmedFrame], machine: Machine) -> None:
    _, sector = scan_convert(torch.zeros(1, 1, 8, 8), machine.scanner, machine.view, HEIGHT, WIDTH)
    outside = ~sector[0].numpy()
    bare = machine.screen.paint(np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    for frame in frames[::5]:
        np.testing.assert_array_equal(frame.grey[outside], bare[outside])


def test_labels_are_the_sections_of_the_animals_own_eggs(
    frames: list[FilmedFrame], machine: Machine, sweep: Sweep
) -> None:
    met = 0
    for index, frame in enumerate(frames):
        for one in frame.objects:
            assert ANIMAL.kinds[one.number] >= Kind.FOLLICLE
            assert one.stage == ANIMAL.kinds[one.number] - Kind.FOLLICLE
            assert 0 <= one.visible <= 1
            ellipse, _ = section(
                *(torch.from_numpy(value) for value in (ANIMAL.centres[one.number], ANIMAL.shapes[one.number])),
                *(torch.from_numpy(value[index]) for value in (sweep.origins, sweep.rights, sweep.downs)),
            )
            x, z, major, minor, _ = ellipse.tolist()
            scale = machine.mm_per_px
            face = machine.view.face_x_px.item(), machine.view.face_y_px.item()
            expected = [face[0] + x / scale, face[1] + z / scale, major / scale, minor / scale]
            np.testing.assert_allclose(one.ellipse[:4], expected, atol=0.2, rtol=5e-3)
            met += 1
    assert met >= FRAMES, "hardly anything was met: the sweep of this test shows nothing"
    assert any(one.wanted for frame in frames for one in frame.objects)


def test_the_same_seeds_give_the_same_clip(frames: list[FilmedFrame], machine: Machine, sweep: Sweep) -> None:
    again = list(Studio(ANIMAL, machine, 4).film(sweep, 5))
    for one, other in zip(frames, again, strict=True):
        np.testing.assert_array_equal(one.grey, other.grey)
        assert one.objects == other.objects


def test_another_recording_differs_by_noise_and_another_studio_by_tissue(
    frames: list[FilmedFrame], machine: Machine, sweep: Sweep
) -> None:
    inner = (slice(100, 400), slice(200, 440))

    def alike(studio_seed: int, film_seed: int) -> float:
        other = next(Studio(ANIMAL, machine, studio_seed).film(sweep, film_seed)).grey
        assert not np.array_equal(other, frames[0].grey)
        return float(np.corrcoef(frames[0].grey[inner].ravel(), other[inner].ravel())[0, 1])

    assert alike(4, 6) > 0.85
    assert alike(7, 5) < 0.83


def test_a_hand_that_rests_films_the_same_picture_again(machine: Machine, sweep: Sweep) -> None:
    still = Sweep(
        "left", *(np.repeat(value[4:5], 2, axis=0) for value in (sweep.origins, sweep.rights, sweep.downs, sweep.place))
    )
    one, other = Studio(ANIMAL, machine, 4).film(still, 5)
    assert one.objects == other.objects
    assert np.corrcoef(one.grey.ravel(), other.grey.ravel())[0, 1] > 0.9


@pytest.mark.parametrize("profile", PROFILES)
def test_every_machine_keeps_its_sector_on_the_screen(profile: str) -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        animal = draw_animal(rng, load_profile(profile), Order())
        drawn = draw_machine(rng, animal)
        _, sector = scan_convert(torch.zeros(1, 1, 8, 8), drawn.scanner, drawn.view, HEIGHT, WIDTH)
        assert not sector[0, [0, -1]].any()
        assert not sector[0, :, [0, -1]].any()
        assert sector.float().mean() > 0.2
        assert 45 <= drawn.scanner.depth_mm.item() <= 160
        # It sees a good half across the animal.
        assert drawn.scanner.depth_mm.item() >= min(0.5 * animal.width_mm, 45)
