from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product

import cv2
import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from models.ellipsoid import section
from synthetic.acoustics.beam_rendering import Plane
from synthetic.acoustics.geometry import scan_convert
from synthetic.acoustics.physics import RESOLUTION_CELLS
from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.bodies import Kind
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.film.film import ClipRenderer, FilmedFrame
from synthetic.film.hand import draw_sweep
from synthetic.film.machine import HEIGHT, WIDTH, Machine, draw_machine
from synthetic.film.panel_screen import PANEL_PX
from synthetic.film.sweep import Sweep
from synthetic.film.tissue_motion import TissueMotion, draw_breath
from synthetic.film.world import ScreenFamily
from tests.synthetic.appearance_samples import unchanged_appearance

# More than are rendered at once, so that the clip is rendered in several parts.
FRAMES = 11
# Eggs and follicles on either side of the sector, near and deep, along the head-tail axis; a bone at the edge.
ANIMAL = Animal(
    "Emys orbicularis",
    carapace_mm=150.0,
    width_mm=125.0,
    height_mm=60.0,
    kinds=np.array([Kind.BONE, Kind.FOLLICLE, Kind.FOLLICLE, *[Kind.CALCIFIED] * 4]),
    centres=np.array(
        [[-40, 30, 20], [-34, 0, 3], [-5, 8, 0], [-26, 2, -19], [-24, -3, 20], [3, -2, 17], [5, 3, -18]], dtype=float
    ),
    semi_axes=np.array([[20, 5, 4], [7, 6, 6], [8, 8, 7], *[[10, 17, 10]] * 4], dtype=float),
    rotations=np.tile(np.eye(3), (7, 1, 1)),
)
BREATH = draw_breath(np.random.default_rng(8), FRAMES)


@pytest.fixture(scope="module")
def machine() -> Machine:
    return draw_machine(np.random.default_rng(2), ANIMAL)


@pytest.fixture(scope="module")
def quiet(machine: Machine) -> Machine:
    """The machine without noise and filters, so that its pictures consist of speckle only."""
    silent = torch.full_like(machine.console.noise_db, -200.0)
    return replace(
        machine, console=replace(machine.console, noise_db=silent, clutter_db=silent), appearance=unchanged_appearance()
    )


@pytest.fixture(scope="module")
def sweep() -> Sweep:
    return draw_sweep(np.random.default_rng(3), ANIMAL, "left", FRAMES)


@pytest.fixture(scope="module")
def frames(machine: Machine, sweep: Sweep) -> list[FilmedFrame]:
    return list(ClipRenderer(ANIMAL, machine, 4).render(sweep, BREATH, 5))


def test_a_clip_has_a_grey_picture_for_every_frame_of_the_sweep(frames: list[FilmedFrame]) -> None:
    assert len(frames) == FRAMES
    for frame in frames:
        assert frame.grey.shape == (HEIGHT, WIDTH)
        assert frame.grey.dtype == np.uint8
        assert frame.grey[100:400, 200:440].std() > 5


def test_outside_the_sector_is_only_the_screen(frames: list[FilmedFrame], machine: Machine) -> None:
    _, sector = scan_convert(torch.zeros(1, 1, 8, 8), machine.scanner, machine.view, HEIGHT, WIDTH)
    outside = ~sector[0].numpy()
    bare = machine.screen.paint(np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    for frame in frames[::5]:
        np.testing.assert_array_equal(frame.grey[outside], bare[outside])


def test_labels_are_the_sections_of_the_animals_own_eggs(
    frames: list[FilmedFrame], machine: Machine, sweep: Sweep
) -> None:
    met = 0
    # The eggs move only with breath and pressure.
    at = Plane(*(torch.from_numpy(v) for v in (sweep.origins, sweep.rights, sweep.downs)))
    motion = TissueMotion.of(at, torch.from_numpy(sweep.pressure_mm), torch.from_numpy(BREATH))
    centres = motion.moved(torch.from_numpy(ANIMAL.centres).expand(FRAMES, -1, -1))
    for index, frame in enumerate(frames):
        for one in frame.objects:
            assert ANIMAL.kinds[one.number] >= Kind.FOLLICLE
            assert one.stage == ANIMAL.kinds[one.number] - Kind.FOLLICLE
            assert 0 <= one.visible <= 1
            ellipse, _ = section(
                centres[index, one.number],
                torch.from_numpy(ANIMAL.shapes[one.number]),
                *(vectors[index] for vectors in (at.origin, at.right, at.down)),
            )
            x, z, major, minor, _ = ellipse.tolist()
            scale = machine.mm_per_px
            face = machine.view.face_x_px.item(), machine.view.face_y_px.item()
            expected = [face[0] + x / scale, face[1] + z / scale, major / scale, minor / scale]
            np.testing.assert_allclose(one.ellipse[:4], expected, atol=0.1, rtol=2e-3)
            reach = machine.scanner.radius_mm.item()
            assert one.depth_mm == pytest.approx(np.hypot(x, z + reach) - reach, abs=0.05)
            met += 1
    assert met >= FRAMES, "too few objects: the sweep of this test shows almost nothing"
    assert any(one.is_target for frame in frames for one in frame.objects)


def test_the_same_seeds_give_the_same_clip(frames: list[FilmedFrame], machine: Machine, sweep: Sweep) -> None:
    again = list(ClipRenderer(ANIMAL, machine, 4).render(sweep, BREATH, 5))
    for one, other in zip(frames, again, strict=True):
        np.testing.assert_array_equal(one.grey, other.grey)
        assert one.objects == other.objects


def test_another_recording_differs_in_noise_and_another_renderer_in_tissue(
    frames: list[FilmedFrame], machine: Machine, sweep: Sweep
) -> None:
    def correlation(renderer_seed: int, recording_seed: int) -> float:
        other = next(ClipRenderer(ANIMAL, machine, renderer_seed).render(sweep, BREATH, recording_seed))
        assert not np.array_equal(other.grey, frames[0].grey)
        return speckle_correlation(frames[0], other)

    assert correlation(4, 6) > 0.7
    assert correlation(7, 5) < correlation(4, 6) - 0.1


INNER = (slice(100, 400), slice(200, 440))


def speckle_correlation(one: FilmedFrame, other: FilmedFrame, part: tuple[slice, slice] = INNER) -> float:
    """Correlation of the speckle of two pictures; coarser structure is removed."""
    fine = [
        (picture - cv2.GaussianBlur(picture, None, 8.0)).ravel()
        for picture in (frame.grey[part].astype(np.float32) for frame in (one, other))
    ]
    return float(np.corrcoef(*fine)[0, 1])


def at_rest(sweep: Sweep, frames: int, *, across_mm: float = 0.0, **changes: NDArray[np.float64]) -> Sweep:
    """Frames of a probe at rest, or moving by ``across_mm`` per frame perpendicular to its plane."""
    origins, rights, downs = (np.repeat(v[4:5], frames, axis=0) for v in (sweep.origins, sweep.rights, sweep.downs))
    origins = origins + across_mm * np.arange(frames)[:, None] * np.cross(rights, downs)
    values = {"pressure_mm": np.zeros(frames), "contact": np.ones(frames)} | changes
    return Sweep("left", origins, rights, downs, **values, is_abrupt=np.zeros(frames, dtype=bool))


def test_a_probe_at_rest_gives_the_same_picture_up_to_noise(machine: Machine, quiet: Machine, sweep: Sweep) -> None:
    correlation = []
    for made in (machine, quiet):
        shown = list(ClipRenderer(ANIMAL, made, 4).render(at_rest(sweep, 10), np.zeros((10, 3)), 5))
        outlines = [[(one.number, one.ellipse) for one in frame.objects] for frame in shown]
        assert all(outline == outlines[0] for outline in outlines)
        correlation.append([speckle_correlation(shown[0], frame) for frame in shown[1:]])
    # The correlation after nine frames, in another part, is the same as after one.
    noisy, silent = correlation
    assert min(noisy) > 0.6
    assert max(noisy) < min(noisy) + 0.03
    assert min(silent) > 0.98


def test_a_slow_sweep_decorrelates_step_by_step(quiet: Machine, sweep: Sweep) -> None:
    shown = list(ClipRenderer(ANIMAL, quiet, 4).render(at_rest(sweep, 12, across_mm=0.3), np.zeros((12, 3)), 5))
    course = [speckle_correlation(shown[0], frame) for frame in shown[1:]]
    # The correlation falls in small steps, also between two parts, until little is left.
    assert 0.85 < course[0] < 0.99
    assert (np.diff(course) < 0.02).all()
    assert np.diff(course).min() > -0.2
    assert course[-1] < course[0] - 0.25
    # All neighbouring frames have a similar correlation.
    steps = [speckle_correlation(one, other) for one, other in pairwise(shown)]
    assert max(steps) - min(steps) < 0.06


def test_a_tilt_changes_deep_tissue_more_than_near_tissue(quiet: Machine, sweep: Sweep) -> None:
    tilted = at_rest(sweep, 2)
    turn = np.deg2rad(1.0)
    tilted.downs[1] = np.cos(turn) * tilted.downs[0] + np.sin(turn) * np.cross(tilted.rights[0], tilted.downs[0])
    one, other = ClipRenderer(ANIMAL, quiet, 4).render(tilted, np.zeros((2, 3)), 5)
    face = float(quiet.view.face_y_px)
    # The probe rotates about its face; 60 mm below, the plane has moved by a mm.
    depths = [slice(int(face + mm / quiet.mm_per_px), int(face + (mm + 15) / quiet.mm_per_px)) for mm in (5, 30, 60)]
    near, middle, deep = (speckle_correlation(one, other, (depth, slice(250, 390))) for depth in depths)
    assert near > 0.9
    assert near > middle > deep
    assert 0.3 < deep < 0.85


def test_breath_moves_deep_tissue_under_a_probe_at_rest(quiet: Machine, sweep: Sweep) -> None:
    breath = np.outer(np.sin(np.pi * np.arange(9) / 8), [0.0, 0.5, 2.0])
    shown = list(ClipRenderer(ANIMAL, quiet, 4).render(at_rest(sweep, 9), breath, 5))
    # Out and back: the last picture equals the first, and halfway it differs.
    assert speckle_correlation(shown[0], shown[8]) > 0.98
    assert speckle_correlation(shown[0], shown[4]) < 0.75
    centres = [{one.number: np.array(one.ellipse[:2]) for one in frame.objects} for frame in (shown[0], shown[4])]
    both = centres[0].keys() & centres[1].keys()
    gone = [np.linalg.norm(centres[1][n] - centres[0][n]) * quiet.mm_per_px for n in both]
    assert len(gone) >= 2
    assert min(gone) > 0.3
    assert max(gone) < 2.5


def test_the_picture_moves_with_the_labels(quiet: Machine, sweep: Sweep) -> None:
    """Speckle and walls of an egg, cropped around its label, are the same before and after the tissue is pushed."""
    pushed = at_rest(sweep, 2, pressure_mm=np.array([0.0, 2.0]))
    # The plane contains the beam, so that pressing moves tissue within it, together with the face.
    pushed.origins[1] += 2.0 * pushed.downs[1]
    one, other = ClipRenderer(ANIMAL, quiet, 4).render(pushed, np.zeros((2, 3)), 5)
    tried = 0
    for before in (o for o in one.objects if o.is_target):
        after = next(o for o in other.objects if o.number == before.number)
        shift = np.array(after.ellipse[:2]) - before.ellipse[:2]
        assert shift[1] < -0.3 / quiet.mm_per_px, "a probe that is pressed in comes closer to deep tissue"
        side = 2 * int(before.ellipse[3]) + 25  # includes the walls, since an egg may be black inside
        patches = [
            cv2.getRectSubPix(frame.grey, (side, side), tuple(map(float, at.ellipse[:2])))
            for frame, at in ((one, before), (other, after))
        ]
        unmoved = cv2.getRectSubPix(other.grey, (side, side), tuple(map(float, before.ellipse[:2])))
        followed, left = (float(np.corrcoef(patches[0].ravel(), p.ravel())[0, 1]) for p in (patches[1], unmoved))
        assert followed > 0.6
        assert followed > left + 0.05
        tried += 1
    assert tried >= 1


def test_without_contact_there_is_no_picture_and_no_target(machine: Machine, sweep: Sweep) -> None:
    shares = np.array([1.0, 0.5, 0.0])
    whole, half, none = ClipRenderer(ANIMAL, machine, 4).render(at_rest(sweep, 3, contact=shares), np.zeros((3, 3)), 5)
    assert any(one.is_target for one in whole.objects)
    assert not any(one.is_target for one in none.objects)
    bare = machine.screen.paint(np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    assert np.abs(none.grey[150:].astype(int) - bare[150:]).mean() < 2
    # The first lines of the face are on the left of the screen.
    left, right = (slice(150, 400), slice(150, 300)), (slice(150, 400), slice(340, 490))
    assert half.grey[left].mean() > 0.8 * whole.grey[left].mean()
    assert half.grey[right].mean() < 0.2 * whole.grey[right].mean()
    middle = float(machine.view.face_x_px)
    seen = {one.number: one.is_target for one in half.objects}
    for one in whole.objects:
        if one.is_target:
            assert seen[one.number] == (one.ellipse[0] < middle)


def test_speckle_comes_back_with_the_probe_in_the_other_physics(quiet: Machine, sweep: Sweep) -> None:
    out, back = at_rest(sweep, 6, across_mm=0.6), np.array([0, 1, 2, 3, 4, 5, 4, 3, 2, 1, 0])
    moved = replace(at_rest(sweep, 11), origins=out.origins[back])
    renderer = ClipRenderer(ANIMAL, quiet, 4, RESOLUTION_CELLS)
    shown = list(renderer.render(moved, np.zeros((11, 3)), 5))
    assert speckle_correlation(shown[0], shown[10]) > 0.98
    assert speckle_correlation(shown[2], shown[8]) > 0.98
    assert speckle_correlation(shown[0], shown[5]) < 0.6
    home = next(ClipRenderer(ANIMAL, quiet, 4).render(moved, np.zeros((11, 3)), 5))
    assert speckle_correlation(shown[0], home) < 0.7


SCREENS: tuple[ScreenFamily, ...] = ("scattered", "panel")


@pytest.mark.parametrize(("profile", "screen"), list(product(PHANTOM_SPECIES, SCREENS)))
def test_every_machine_keeps_its_sector_on_the_screen(profile: str, screen: ScreenFamily) -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        animal = draw_animal(rng, load_species_ranges(profile), StageCounts())
        drawn = draw_machine(rng, animal, screen)
        _, sector = scan_convert(torch.zeros(1, 1, 8, 8), drawn.scanner, drawn.view, HEIGHT, WIDTH)
        assert not sector[0, [0, -1]].any()
        assert not sector[0, :, [0, -1]].any()
        assert sector.float().mean() > (0.2 if screen == "scattered" else 0.15)
        assert 45 <= drawn.scanner.depth_mm.item() <= 160
        if screen == "panel":
            assert not sector[0, :, :PANEL_PX].any()
            continue
        # It shows more than half of the animal's width.
        assert drawn.scanner.depth_mm.item() >= min(0.5 * animal.width_mm, 45)
