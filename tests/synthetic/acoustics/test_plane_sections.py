from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from torch import Tensor

from models import ellipse
from models.targets import Labels
from synthetic.acoustics.beam_rendering import Beams, Plane
from synthetic.acoustics.geometry import Scanner, View, scan_convert
from synthetic.acoustics.materials import Materials, load_materials
from synthetic.acoustics.plane_sections import (
    AnimalBatch,
    PlaneSections,
    make_labels,
    measure_visibility,
    section_animals,
    shown_objects,
)
from synthetic.acoustics.tissue import TissueNoise
from synthetic.anatomy.animal import Animal
from synthetic.anatomy.bodies import Kind
from tests.synthetic.acoustic_bench import Body, bodies, column, console, convex, linear, plane, render, tissue

CPU = torch.device("cpu")
HEIGHT = WIDTH = 320
VIEW = View(column(0.2, 1), column(160, 1), column(20, 1))

Place = tuple[float, float, float]


@pytest.fixture(scope="module")
def noise() -> TissueNoise:
    return tissue(1)


def animal(*each: tuple[Kind, Place, Place], rotation: NDArray[np.float64] | None = None) -> Animal:
    """An animal of bodies given as kind, centre and semi-axes."""
    number = len(each)
    return Animal(
        species="Emys orbicularis",
        carapace_mm=150.0,
        width_mm=120.0,
        height_mm=70.0,
        kinds=np.array([int(kind) for kind, _, _ in each], dtype=np.int64),
        centres=np.array([centre for _, centre, _ in each], dtype=np.float64).reshape(number, 3),
        semi_axes=np.array([axes for _, _, axes in each], dtype=np.float64).reshape(number, 3),
        rotations=np.repeat((np.eye(3) if rotation is None else rotation)[None], number, axis=0),
    )


def materials_of(animal_batch: AnimalBatch, seed: int = 1) -> Materials:
    return load_materials().draw(animal_batch.kinds, torch.Generator().manual_seed(seed))


def cut_one(one: Animal, at: Plane, *, max_objects: int = 24) -> PlaneSections:
    """The bodies of one animal that B planes meet."""
    batch = len(at.origin)
    animal_batch = AnimalBatch.of([one] * batch, CPU)
    return section_animals(animal_batch, materials_of(animal_batch), at, torch.zeros(batch, 3), max_objects=max_objects)


def roles(one: Animal, noise: TissueNoise, *, scanner: Scanner | None = None, view: View = VIEW) -> Labels:
    """Labels of one picture of the animal through the bench's plane."""
    scanner = scanner or linear()
    met = cut_one(one, plane())
    beams = render(met.slice, scanner, console(), noise)
    return make_labels(
        met, measure_visibility(met, beams, grey(beams), scanner, view, HEIGHT, WIDTH), view, HEIGHT, WIDTH
    )


def grey(beams: Beams) -> Tensor:
    """The beams on a screen that shows 60 dB, with soft tissue in medium grey."""
    return (beams.echo_db / 60 + 0.5).clamp(0, 1)


def rotation_in_plane(degrees: float) -> NDArray[np.float64]:
    """From x towards z, which on the screen is from +x towards +y."""
    angle = np.deg2rad(degrees)
    return np.array([[np.cos(angle), 0, -np.sin(angle)], [0, 1, 0], [np.sin(angle), 0, np.cos(angle)]])


@settings(deadline=None)
@given(
    st.tuples(st.floats(-5, 5), st.floats(-6, 6), st.floats(20, 40)),
    st.floats(9, 15),
    st.floats(6, 8.5),
    st.floats(-89, 89),
)
def test_the_label_of_an_egg_is_its_analytic_section(centre: Place, long: float, short: float, degrees: float) -> None:
    """A plane at distance d from the middle of an ellipsoid that lies in it cuts axes shorter by sqrt(1 - (d/b)^2)."""
    less = np.sqrt(1 - (centre[1] / short) ** 2) if abs(centre[1]) < short else 0.0
    assume(less > 0.5)
    one = animal((Kind.CALCIFIED, centre, (long, short, short)), rotation=rotation_in_plane(degrees))
    met = cut_one(one, plane())
    assert met.section_ratio[0, 0].item() == pytest.approx(less, abs=1e-3)
    unlit = Beams(torch.zeros(1, 8, 8), torch.zeros(1, 8, 8))
    seen = measure_visibility(met, unlit, unlit.echo_db, linear(), VIEW, HEIGHT, WIDTH)
    labels = make_labels(met, seen, VIEW, HEIGHT, WIDTH)
    expected = [160 + centre[0] / 0.2, 20 + centre[2] / 0.2, long * less / 0.2, short * less / 0.2, degrees]
    found = labels.ellipses[0, 0].double().numpy()
    np.testing.assert_allclose(found[:4], expected[:4], rtol=2e-3, atol=0.05)
    assert abs((found[4] - degrees + 90) % 180 - 90) < 0.5
    assert labels.stage[0, 0].item() == 2
    assert labels.role[0, 0].item() == -1  # it is not in shadow, but nothing stands out in beams without echoes
    assert labels.visible[0, 0].item() == 1.0


@pytest.mark.parametrize("degrees", [0.0, 35.0, -70.0])
@pytest.mark.parametrize("probe", ["linear", "convex"])
def test_the_bright_rim_is_on_the_label(noise: TissueNoise, degrees: float, probe: str) -> None:
    scanner = linear() if probe == "linear" else convex(radius_mm=40, opening_degrees=70, depth_mm=60)
    centre, axes = (2.0, 3.0, 32.0), (12.0, 9.0, 9.0)
    rotation = rotation_in_plane(degrees)
    shell = {"rim_db": 22.0, "rim_floor": 1.0, "rim_mm": 0.4, "echo_db": -15.0}
    seen = bodies(1, Body(centre, axes, shell, rotation))
    beams = render(seen, scanner, console(), noise, lines=220, samples=320)
    picture, _ = scan_convert(beams.echo_db[:, None], scanner, VIEW, HEIGHT, WIDTH)
    met = cut_one(animal((Kind.CALCIFIED, centre, axes), rotation=rotation), plane())
    labels = make_labels(
        met, measure_visibility(met, beams, grey(beams), scanner, VIEW, HEIGHT, WIDTH), VIEW, HEIGHT, WIDTH
    )
    row = labels.ellipses[0, 0].double().numpy()

    def echo_along(grown_px: float) -> float:
        points = ellipse.outline(row + np.array([0, 0, grown_px, grown_px, 0]), 120)[0]
        return float(map_coordinates(picture[0, 0].numpy(), points[:, ::-1].T, order=1).mean())

    on_it, inside, outside = echo_along(0.0), echo_along(-8.0), echo_along(8.0)
    assert on_it > inside + 10
    assert on_it > outside + 5
    # The brightest outline of the family is the label, within a third of a millimetre.
    brightest = max(np.arange(-6, 6.1, 0.5), key=echo_along)
    assert abs(brightest) * 0.2 < 0.35


def test_an_unshadowed_egg_is_a_target(noise: TissueNoise) -> None:
    labels = roles(animal((Kind.CALCIFIED, (0, 0, 35), (9, 8, 8))), noise)
    assert labels.role.tolist() == [[1]]
    assert labels.visible.item() >= 0.3


def test_an_egg_behind_bone_is_ignored(noise: TissueNoise) -> None:
    egg = (Kind.CALCIFIED, (0.0, 0.0, 40.0), (9.0, 8.0, 8.0))
    labels = roles(animal((Kind.BONE, (0, 0, 14), (18, 10, 3)), egg), noise)
    at = labels.role[0].tolist()
    assert at == [0, -1]
    assert labels.visible[0, 1] < 0.3


def test_an_egg_cut_near_its_pole_is_ignored(noise: TissueNoise) -> None:
    def role(share: float) -> int:
        labels = roles(animal((Kind.CALCIFIED, (0, 8 * share, 35), (9, 8, 8))), noise)
        return int(labels.role[0, 0])

    # The section over the greatest section is sqrt(1 - share^2): 0.8 and 0.31; at least 0.45 is asked for.
    assert [role(0.6), role(0.95), role(1.05)] == [1, -1, 0]


def test_an_egg_on_the_edge_of_the_sector_is_ignored_and_one_beyond_does_not_exist(noise: TissueNoise) -> None:
    def found(x_mm: float) -> tuple[int, list[float]]:
        labels = roles(animal((Kind.CALCIFIED, (x_mm, 0, 35), (8, 8, 8))), noise)
        return int(labels.role[0, 0]), labels.ellipses[0, 0].tolist()

    assert found(16.0)[0] == 1
    assert found(22.0)[0] == -1
    role, row = found(35.0)
    assert role == 0
    assert row == [0.0, 0.0, 1.0, 1.0, 0.0]


def test_leaving_the_picture_counts_like_leaving_the_sector(noise: TissueNoise) -> None:
    one = animal((Kind.CALCIFIED, (0, 0, 35), (8, 8, 8)))
    shifted = {x: View(column(0.2, 1), column(x, 1), column(20, 1)) for x in (160.0, -8.0, -100.0)}
    assert [int(roles(one, noise, view=view).role) for view in shifted.values()] == [1, -1, 0]


def test_an_egg_below_the_depth_shown_is_no_target(noise: TissueNoise) -> None:
    one = animal((Kind.CALCIFIED, (0, 0, 35), (8, 8, 8)))
    found = [int(roles(one, noise, scanner=linear(depth_mm=depth)).role) for depth in (60, 33, 20)]
    assert found == [1, -1, 0]


def test_a_shell_in_shadow_is_shown_but_no_target(noise: TissueNoise) -> None:
    met = cut_one(animal((Kind.CALCIFIED, (0, 0, 35), (8, 8, 8))), plane())
    beams = render(met.slice, linear(), console(), noise)
    shadowed = replace(beams, loss_db=beams.loss_db + 40.0)
    lit, dark = (
        measure_visibility(met, each, grey(beams), linear(), VIEW, HEIGHT, WIDTH) for each in (beams, shadowed)
    )
    assert int(make_labels(met, lit, VIEW, HEIGHT, WIDTH).role) == 1
    assert int(make_labels(met, dark, VIEW, HEIGHT, WIDTH).role) == -1
    assert bool(shown_objects(met, lit, VIEW, HEIGHT, WIDTH))
    assert bool(shown_objects(met, dark, VIEW, HEIGHT, WIDTH))
    black = measure_visibility(met, shadowed, torch.zeros_like(grey(beams)), linear(), VIEW, HEIGHT, WIDTH)
    assert not bool(shown_objects(met, black, VIEW, HEIGHT, WIDTH))


def test_an_egg_too_small_on_the_screen_is_ignored(noise: TissueNoise) -> None:
    one = animal((Kind.CALCIFIED, (0, 0, 35), (8, 8, 8)))
    fine, coarse = (View(column(scale, 1), column(160, 1), column(20, 1)) for scale in (0.2, 3.0))
    assert int(roles(one, noise, view=fine).role) == 1
    assert int(roles(one, noise, view=coarse).role) == -1


def test_organs_are_never_targets_and_stages_follow_kinds(noise: TissueNoise) -> None:
    one = animal(
        (Kind.BLADDER, (-13, 0, 20), (5, 5, 5)),
        (Kind.FOLLICLE, (0, 0, 20), (6, 6, 6)),
        (Kind.THIN_SHELLED, (13, 0, 20), (6, 6, 6)),
        (Kind.CALCIFIED, (0, 0, 45), (6, 6, 6)),
    )
    labels = roles(one, noise)
    assert labels.role[0, 0] == 0
    assert (labels.role[0, 1:] != 0).all()  # whether they stand out of their surroundings is another matter
    assert labels.role[0, 3] == 1
    assert labels.stage[0, 1:].tolist() == [0, 1, 2]


def test_a_follicle_that_does_not_stand_out_is_ignored(noise: TissueNoise) -> None:
    one = animal((Kind.FOLLICLE, (0, 0, 35), (8, 8, 8)))
    met = cut_one(one, plane())
    plain = {"echo_db": 0.0, "texture_db": 0.0, "rim_db": -40.0, "core_share": 0.0, "core_db": 0.0}

    def role(**changes: float) -> int:
        drawn = replace(met.slice.materials, **{n: torch.tensor([[v]]) for n, v in {**plain, **changes}.items()})
        changed = replace(met, slice=replace(met.slice, materials=drawn))
        beams = render(changed.slice, linear(), console(), noise)
        seen = measure_visibility(changed, beams, grey(beams), linear(), VIEW, HEIGHT, WIDTH)
        labels = make_labels(changed, seen, VIEW, HEIGHT, WIDTH)
        return int(labels.role)

    assert role() == -1
    assert role(echo_db=8.0) == 1
    assert role(echo_db=-8.0) == 1
    assert role(rim_db=14.0, rim_floor=1.0, rim_mm=0.6) == 1


def test_of_too_many_bodies_eggs_and_central_cuts_stay() -> None:
    organs = [(Kind.ORGAN, (float(x), 0.5 * x, 30.0), (9.0, 9.0, 9.0)) for x in range(10)]
    one = animal(*organs, (Kind.CALCIFIED, (0, 6, 30), (7, 7, 7)), (Kind.CALCIFIED, (0, 20, 30), (7, 7, 7)))
    met = cut_one(one, plane(), max_objects=4)
    # The first egg is cut far from its middle and stays; the second is missed. The most central organs fill the rest.
    assert met.index.tolist() == [[0, 1, 2, 10]]
    assert met.slice.present.all()
    assert met.kinds[0, 3].item() == int(Kind.CALCIFIED)


def test_bodies_keep_their_drawing_order_and_their_properties() -> None:
    one = animal(
        (Kind.ORGAN, (0, 8, 30), (9, 9, 9)),
        (Kind.BLADDER, (0, 0, 30), (9, 8, 7)),
        (Kind.CALCIFIED, (5, 0, 30), (7, 6, 5)),
    )
    animal_batch = AnimalBatch.of([one], CPU)
    drawn = materials_of(animal_batch)
    met = section_animals(animal_batch, drawn, plane(), torch.zeros(1, 3))
    assert met.index.tolist() == [[0, 1, 2]]
    torch.testing.assert_close(met.slice.min_semi_axis_mm, torch.tensor([[9.0, 7.0, 5.0]]))
    torch.testing.assert_close(met.slice.centre[0, 2], torch.tensor([5.0, 0.0, 30.0]))
    torch.testing.assert_close(met.slice.shape[0, 2].diagonal(), torch.tensor([1 / 49, 1 / 36, 1 / 25]))
    assert torch.equal(met.slice.materials.rim_db, drawn.rim_db)
    assert met.ellipses[0, 2].tolist()[:4] == pytest.approx([5.0, 30.0, 7.0, 5.0], rel=1e-4)


def test_a_tube_is_met_where_a_plane_cuts_it_anywhere() -> None:
    """Drawn out along y and bent towards z: a plane out of its middle's reach cuts its ends."""
    one = animal((Kind.VESSEL, (0, 0, 26), (3, 3, 3)), rotation=np.eye(3)[:, [1, 2, 0]])
    at = plane(3)
    level = Plane(
        torch.tensor([[0.0, 0, 30], [0, 0, 22], [0, 0, 36]]), at.right, torch.tensor([[0.0, 1, 0]]).expand(3, 3)
    )
    straight = replace(one, half_length=np.array([20.0]))
    bent = replace(straight, bend=np.array([0.03]))
    assert cut_one(straight, level).slice.present[:, 0].tolist() == [False, False, False]
    met = cut_one(bent, level)
    assert met.slice.present[:, 0].tolist() == [True, False, False]
    assert met.section_ratio[0, 0].item() == pytest.approx(1.0, abs=1e-3)
    assert met.slice.half_length[0].tolist() == [20.0]


def sweep(frames: int) -> Plane:
    at = plane(frames)
    origin = at.origin.clone()
    origin[:, 1] = torch.linspace(-60, 60, frames)
    return Plane(origin, at.right, at.down)


def test_in_a_clip_every_body_keeps_its_column() -> None:
    rng = np.random.default_rng(3)
    many = [(Kind.ORGAN, tuple(rng.uniform(-50, 50, 3)), (8.0, 8.0, 8.0)) for _ in range(40)]
    eggs = [(Kind.CALCIFIED, (0.0, float(y), 30.0), (7.0, 7.0, 7.0)) for y in (-40, 0, 40)]
    one = animal(*many, *eggs)
    frames = 9
    animal_batch = AnimalBatch.of([one] * frames, CPU)
    met = section_animals(
        animal_batch, materials_of(animal_batch), sweep(frames), torch.zeros(frames, 3), one_animal=True
    )
    assert (met.index == met.index[0]).all()
    # All that the clip meets, even if more than the 24 of a single picture.
    columns = {int(k): c for c, k in enumerate(met.index[0])}
    for number, y in zip((40, 41, 42), (-40, 0, 40), strict=True):
        met_at = met.slice.present[:, columns[number]]
        near = (torch.linspace(-60, 60, frames) - y).abs() < 7
        assert met_at.tolist() == near.tolist()
    assert met.slice.present.any(0).sum() > 24
    assert torch.isnan(met.ellipses[~met.slice.present]).all()
    assert not torch.isnan(met.ellipses[met.slice.present]).any()


def test_animals_of_a_batch_are_padded_and_padding_is_never_met() -> None:
    small = animal((Kind.CALCIFIED, (0, 0, 30), (7, 7, 7)))
    large = animal(*[(Kind.ORGAN, (float(x), 0, 30), (6, 6, 6)) for x in range(4)])
    animal_batch = AnimalBatch.of([small, large], CPU)
    assert animal_batch.is_object.tolist() == [[True, False, False, False], [True] * 4]
    taken = animal_batch.take(torch.tensor([1, 0, 0]))
    assert taken.kinds[:, 0].tolist() == [int(Kind.ORGAN), int(Kind.CALCIFIED), int(Kind.CALCIFIED)]
    met = section_animals(taken, materials_of(taken), plane(3), torch.zeros(3, 3))
    assert met.slice.present.sum(1).tolist() == [4, 1, 1]
    assert torch.isfinite(met.slice.centre).all()
