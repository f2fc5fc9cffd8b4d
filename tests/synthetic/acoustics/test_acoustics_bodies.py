"""What bodies do to a picture: surfaces, insides, shadows and what lies behind them."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import torch
from torch import Tensor

from synthetic.acoustics import drawing
from synthetic.acoustics.beam_rendering import Beams, Console, Plane
from synthetic.acoustics.geometry import BeamGrid, Scanner, beam_grid
from synthetic.acoustics.materials import load_materials
from synthetic.acoustics.plane_sections import AnimalBatch, section_animals
from synthetic.acoustics.render_parameters import RenderParameters
from synthetic.acoustics.tissue import TissueNoise
from synthetic.acoustics.touched_regions import touched_regions
from synthetic.film.hand import draw_sweep
from synthetic.film.machine import draw_machine
from synthetic.training.dataset import draw_animals
from tests.synthetic.acoustic_bench import (
    ATTENUATION,
    Body,
    bodies,
    console,
    convex,
    linear,
    offsets,
    render,
    tissue,
)

PICTURES = 4


@pytest.fixture(scope="module")
def noise() -> TissueNoise:
    return tissue(1)


def beside_and_behind(beams: Beams, lines: int, samples: int) -> tuple[float, float]:
    """Mean echo in dB in the lower third: along the outer beams, and along those through the middle."""
    below = slice(2 * samples // 3, samples)
    middle = beams.echo_db[:, lines // 2 - 4 : lines // 2 + 4, below].mean().item()
    return beams.echo_db[:, 2:10, below].mean().item(), middle


def test_a_shadow_is_two_crossings_two_ways_deep(noise: TissueNoise) -> None:
    """Behind a shell, 4 x the one-way loss of one crossing is missing."""
    depths = []
    for loss_db in (0.0, 1.0, 2.0, 4.0, 8.0):
        egg = Body((0, 0, 25), (8, 8, 8), {"loss_db": loss_db})
        beams = render(bodies(PICTURES, egg, noise_offset=offsets(PICTURES, 4)), linear(PICTURES), console(4), noise)
        beside, behind = beside_and_behind(beams, 96, 192)
        assert beams.loss_db[:, 44:52, 130:].mean().item() == pytest.approx(4 * loss_db, rel=0.03, abs=0.01)
        # In the middle of the egg, one shell has been crossed.
        assert beams.loss_db[:, 44:52, 80].mean().item() == pytest.approx(2 * loss_db, rel=0.03, abs=0.01)
        assert behind - beside == pytest.approx(-4 * loss_db, abs=1.0)
        depths.append(beside - behind)
    assert all(more > less + 2 for less, more in pairwise(depths)), depths


def test_a_wall_does_not_shadow_itself(noise: TissueNoise) -> None:
    """The near arc is as bright whatever the shell's loss; the far arc is fainter by one crossing, two ways."""

    def walls(loss_db: float) -> tuple[float, float]:
        egg = Body((0, 0, 25), (8, 8, 8), {"rim_db": 30.0, "rim_mm": 0.4, "echo_db": -40.0, "loss_db": loss_db})
        beams = render(bodies(8, egg, noise_offset=offsets(8, 4)), linear(8), console(8), noise, samples=320)
        middle = beams.echo_db[:, 46:50]
        return middle[..., 80:110].amax(2).mean().item(), middle[..., 160:190].amax(2).mean().item()

    (near, far), (near_of_shell, far_of_shell) = walls(0.0), walls(8.0)
    assert near_of_shell == pytest.approx(near, abs=0.5)
    assert far_of_shell == pytest.approx(far - 16, abs=1.0)


def test_a_grazing_beam_loses_more_than_one_through_the_middle(noise: TissueNoise) -> None:
    """Beyond the critical angle (20 degrees from soft tissue to shell, computed) sound is reflected. Any surface bends
    a beam that grazes it, which casts a thin shadow.
    """
    x = np.linspace(-20, 20, 161)
    grazing = (np.abs(x) > 6.8) & (np.abs(x) < 8.5)

    def loss(loss_db: float, rim_mm: float = 0.5) -> Tensor:
        egg = Body((0, 0, 25), (8, 8, 8), {"loss_db": loss_db, "rim_mm": rim_mm})
        return render(bodies(1, egg), linear(), console(), noise, lines=161).loss_db[0, :, -1]

    plain, shell = loss(0.0), loss(2.0)
    assert plain[grazing].max() > 0.05
    assert plain[80].abs() < 0.01
    assert shell[grazing].max() > 1.3 * shell[80]
    for one in (plain, shell):
        assert one[np.abs(x) > 12].abs().max() < 0.05
    # A beam that only passes by does not count as crossing.
    assert loss(8.0, rim_mm=1.0)[np.abs(x) > 8.1].max() < 2.0


def test_tissue_behind_fluid_is_brighter_by_the_loss_it_was_spared(noise: TissueNoise) -> None:
    """0.5 dB/cm/MHz x 5 MHz x 2 cm x 2 ways = 10 dB (computed)."""
    bladder = Body((0, 0, 25), (9, 9, 10), {"attenuation": 0.0, "border_blur_mm": 0.1})
    beams = render(bodies(PICTURES, bladder, noise_offset=offsets(PICTURES, 4)), linear(PICTURES), console(4), noise)
    beside, behind = beside_and_behind(beams, 96, 192)
    assert behind - beside == pytest.approx(10.0, abs=1.0)
    assert beams.loss_db[:, 46:50, -1].mean().item() == pytest.approx(-10.0, rel=0.05)


def test_the_inside_of_a_body_has_its_own_echo(noise: TissueNoise) -> None:
    fluid = Body((0, 0, 30), (9, 9, 9), {"echo_db": -25.0})
    beams = render(bodies(PICTURES, fluid, noise_offset=offsets(PICTURES, 7)), linear(PICTURES), console(4), noise)
    inside = beams.echo_db[:, 42:54, 84:108].mean()
    beside = beams.echo_db[:, 4:14, 84:108].mean()
    assert (inside - beside).item() == pytest.approx(-25.0, abs=1.5)


def test_a_surface_is_brightest_where_the_beam_meets_it_at_a_right_angle(noise: TissueNoise) -> None:
    shell = Body((0, 0, 30), (10, 10, 10), {"rim_db": 25.0, "rim_floor": 0.0, "rim_power": 4.0, "echo_db": -20.0})
    beams = render(bodies(1, shell), linear(), console(), noise, lines=161, samples=240)
    grid = beam_grid(linear(), 161, 240)
    radius = torch.hypot(grid.x, grid.z - 30)
    angle = torch.rad2deg(torch.atan2(grid.x.abs(), (grid.z - 30).abs()))
    on_rim = (radius - 9.8).abs() < 0.4
    top = beams.echo_db[on_rim & (angle < 15)].mean()
    middle = beams.echo_db[on_rim & (angle > 40) & (angle < 55)].mean()
    side = beams.echo_db[on_rim & (angle > 75)].mean()
    assert top > middle + 5 > side + 10


@pytest.mark.parametrize(
    ("scanner", "f_number", "bandwidth", "rim_mm"),
    [
        (linear(8, depth_mm=35, width_mm=30, frequency_mhz=10), 2.0, 0.8, 0.3),
        (linear(8), 4.0, 0.4, 0.3),
        (linear(8), 2.0, 0.6, 1.2),
        (convex(8, depth_mm=110, frequency_mhz=4), 3.0, 0.3, 0.6),
    ],
)
def test_a_surface_has_its_level_above_tissue_at_a_right_angle(
    noise: TissueNoise, scanner: Scanner, f_number: float, bandwidth: float, rim_mm: float
) -> None:
    """Root mean square of the brightest sample along the middle lines, for a large even surface: independent of the
    machine, its grid and the thickness of the surface. The brightest of a few is a little above their mean.
    """
    depth = float(scanner.depth_mm[0])
    fluid = {"rim_db": 20.0, "rim_mm": rim_mm, "rim_floor": 1.0, "echo_db": -40.0}
    floor = Body((0, 0, depth / 2 + 200), (200, 200, 200), fluid)
    settings = console(8, f_number=f_number, bandwidth=bandwidth, focus_mm=depth / 2)
    at = offsets(8, 4)
    beams = render(bodies(8, floor, noise_offset=at), scanner, settings, noise, lines=128, samples=256)
    peak = 10 ** (beams.echo_db[:, 62:66].amax(2) / 10)
    assert 10 * np.log10(peak.mean().item()) == pytest.approx(20.5, abs=1.5)


def test_a_thicker_shell_is_a_brighter_rim_and_a_deeper_shadow(noise: TissueNoise) -> None:
    """With absorption and bandwidth: no thickness is transparent, not even half a wave (0.3 mm at 7.5 MHz)."""
    rims, shadows = [], []
    scanner = linear(PICTURES, frequency_mhz=7.5)
    for shell_mm in (0.005, 0.02, 0.05, 0.1, 0.2, 0.3):
        shell = {"shell_mm": shell_mm, "mineral": 1.0, "absorption": 4.0, "rim_db": 30.0, "rim_floor": 1.0}
        egg = Body((0, 0, 25), (8, 8, 8), shell)
        beams = render(bodies(PICTURES, egg, noise_offset=offsets(PICTURES, 4)), scanner, console(4), noise)
        rims.append(beams.echo_db[:, 46:50, 52:60].amax(2).mean().item())
        shadows.append(beams.loss_db[:, 47:49, 130:].mean().item())
    assert all(thicker > thinner + 0.5 for thinner, thicker in pairwise(shadows)), shadows
    assert shadows[0] < 3 < 8 < shadows[2]
    assert all(thicker > thinner - 1.0 for thinner, thicker in pairwise(rims)), rims
    assert rims[3] > rims[0] + 8


def test_beyond_the_critical_angle_a_thick_shell_blocks_sound_and_is_darker(noise: TissueNoise) -> None:
    """20 degrees from soft tissue to the full shell (computed): the sides of an egg drop out. Some sound tunnels
    through a thin shell.
    """
    x = np.linspace(-20, 20, 161)
    angle = np.rad2deg(np.arcsin(np.abs(x) / 8, where=np.abs(x) < 8, out=np.full_like(x, 1.57)))
    within, beyond = angle < 12, (angle > 35) & (angle < 50)

    def seen(shell_mm: float) -> tuple[float, float]:
        """How much more a slanting beam loses than one at a right angle, and how much brighter the rim is there."""
        shell = {"shell_mm": shell_mm, "mineral": 1.0, "absorption": 4.0, "rim_db": 40.0, "rim_floor": 1.0}
        egg = Body((0, 0, 25), (8, 8, 8), {**shell, "echo_db": -20.0})
        beams = render(bodies(1, egg), linear(), console(), noise, lines=161)
        loss, rim = beams.loss_db[0, :, 80], beams.echo_db[0, :, :80].amax(1)
        return (loss[beyond].mean() - loss[within].mean()).item(), (rim[within].mean() - rim[beyond].mean()).item()

    (thick_loss, thick_rim), (thin_loss, thin_rim) = seen(0.15), seen(0.01)
    assert thick_loss > 15
    assert thin_loss < 1.5
    assert thick_rim > thin_rim + 3


@pytest.mark.parametrize("speed", [1.45, 1.505, 1.57])
def test_the_far_wall_is_displaced_by_the_speed_of_sound_inside(noise: TissueNoise, speed: float) -> None:
    """Displayed size = true size x 1540 / c: 30 mm show as 31.86, 30.70 and 29.43 mm at 1450, 1505 and 1570 m/s
    (computed). This holds along the beam only, and the near wall stays.
    """
    shown = {1.45: 31.86, 1.505: 30.70, 1.57: 29.43}[speed]
    egg = Body((0, 0, 25), (15, 15, 15), {"rim_db": 30.0, "rim_mm": 0.3, "echo_db": -30.0, "speed": speed})
    beams = render(bodies(1, egg), linear(), console(), noise, lines=97, samples=600)
    middle = beams.echo_db[0, 48]
    near, far = middle[:250].argmax().item(), 250 + middle[250:].argmax().item()
    assert (near + 0.5) / 10 == pytest.approx(10.0, abs=0.25)
    assert (far - near) / 10 == pytest.approx(shown, abs=0.15)


def test_a_later_body_is_drawn_over_an_earlier_one(noise: TissueNoise) -> None:
    bright = Body((0, 0, 30), (8, 8, 8), {"echo_db": 10.0})
    dark = Body((0, 0, 30), (5, 5, 5), {"echo_db": -20.0})
    middle = (slice(None), slice(42, 54), slice(90, 102))
    within = render(bodies(1, bright, dark), linear(), console(), noise).echo_db[middle].mean()
    around = render(bodies(1, dark, bright), linear(), console(), noise).echo_db[middle].mean()
    assert around > within + 20


def test_gas_rings_down_and_bone_does_not(noise: TissueNoise) -> None:
    def below(ring_down: float) -> float:
        gas = Body((0, 0, 20), (6, 6, 2), {"rim_db": 25.0, "rim_floor": 0.3, "loss_db": 20.0, "ring_down": ring_down})
        beams = render(bodies(1, gas), linear(), console(), noise)
        return beams.echo_db[0, 44:52, 90:130].mean().item()

    assert below(1.0) > below(0.0) + 10


def test_pictures_of_a_batch_are_independent(noise: TissueNoise) -> None:
    """Without noise: the settings of one picture do not affect another."""
    egg = Body((2, 0, 30), (9, 7, 8), {"rim_db": 20.0, "loss_db": 3.0, "echo_db": -20.0})
    scanners = [convex(depth_mm=80), linear(depth_mm=50)]
    settings = [console(focus_mm=50, f_number=3, tgc_error=0.1), console(focus_mm=20, bandwidth=0.4)]
    both_scanners = Scanner(*(torch.cat(pair) for pair in zip(*(vars(s).values() for s in scanners), strict=True)))
    both = Console(*(torch.cat(pair) for pair in zip(*(vars(s).values() for s in settings), strict=True)))
    together = render(bodies(2, egg), both_scanners, both, noise)
    for row in range(2):
        alone = render(bodies(1, egg), scanners[row], settings[row], noise)
        torch.testing.assert_close(together.loss_db[row], alone.loss_db[0], atol=0.02, rtol=0)
        assert (together.echo_db[row] - alone.echo_db[0]).abs().quantile(0.999) < 0.2


def full_windows(grid: BeamGrid, met: RenderParameters, bumps: Tensor) -> list[tuple[slice, slice]]:
    lines, samples = grid.x.shape[1:]
    return [(slice(0, lines), slice(0, samples))] * met.auu.shape[1]


@pytest.mark.parametrize("seed", [0, 3, 5])
def test_drawing_in_touched_regions_equals_drawing_everywhere(
    noise: TissueNoise, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """For whole animals, with uneven organs and a thick slice: what is skipped would have changed nothing."""
    frames = 3
    animal = draw_animals(1, seed)[0]
    rng = np.random.default_rng(seed)
    machine, sweep = draw_machine(rng, animal), draw_sweep(rng, animal, "left", frames)
    at = Plane(*(torch.from_numpy(value).float() for value in (sweep.origins, sweep.rights, sweep.downs)))
    scanner = Scanner(*(value.expand(frames) for value in vars(machine.scanner).values()))
    settings = Console(*(value.expand(frames) for value in vars(machine.console).values()))
    settings = replace(settings, slice_thickness_mm=torch.full((frames,), 4.0))
    animal_batch = AnimalBatch.of([animal] * frames, torch.device("cpu"))
    materials = load_materials().draw(animal_batch.kinds, torch.Generator().manual_seed(seed))
    met = section_animals(animal_batch, materials, at, torch.zeros(frames, 3), one_animal=True)

    def rendered() -> Beams:
        return render(met.slice, scanner, settings, noise, at=at)

    sizes: list[float] = []

    def watched(grid: BeamGrid, met: RenderParameters, bumps: Tensor) -> list[tuple[slice, slice]]:
        found = touched_regions(grid, met, bumps)
        sizes.extend(
            (lines.stop - lines.start) * (samples.stop - samples.start) / (96 * 192) for lines, samples in found
        )
        return found

    monkeypatch.setattr(drawing, "touched_regions", watched)
    windowed = rendered()
    assert 0 < float(np.mean(sizes)) < 0.5  # otherwise the regions save little, and this test shows little
    monkeypatch.setattr(drawing, "touched_regions", full_windows)
    everything = [drawing._Features()] * met.index.shape[1]
    monkeypatch.setattr(drawing, "_features", lambda met: everything)
    whole = rendered()
    assert (windowed.echo_db - whole.echo_db).abs().max().item() < 0.05
    assert (windowed.loss_db - whole.loss_db).abs().max().item() < 0.01


def test_bodies_on_the_bench_are_invisible_except_for_what_is_changed(noise: TissueNoise) -> None:
    """Otherwise the tests above would measure the bench. Any surface bends a grazing beam a little."""
    plain = render(bodies(1), linear(), console(), noise)
    unseen = render(bodies(1, Body((0, 0, 30), (8, 8, 8), {})), linear(), console(), noise)
    difference = (plain.echo_db - unseen.echo_db).abs()
    assert difference.median().item() < 1e-3
    assert difference.max().item() < 1.0
    assert console().attenuation.item() == pytest.approx(ATTENUATION)
