from __future__ import annotations

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from torch import Tensor

from synthetic.acoustics.beam_rendering import Beams
from synthetic.acoustics.geometry import Scanner
from synthetic.acoustics.tissue import TissueNoise
from tests.synthetic.acoustic_bench import (
    Body,
    bodies,
    console,
    convex,
    linear,
    offsets,
    one_scatterer,
    plane,
    render,
    tissue,
)

PICTURES = 4


@pytest.fixture(scope="module")
def noise() -> TissueNoise:
    return tissue(1)


def envelope(beams: Beams) -> Tensor:
    return 10 ** (beams.echo_db / 20)


def full_width_mm(profile: NDArray[np.float64], step_mm: float) -> float:
    """Between the two places where a profile falls to half of its peak, -6 dB."""
    peak = int(profile.argmax())
    half = profile[peak] / 2

    def crossing(direction: int) -> float:
        place = peak
        while profile[place] > half:
            place += direction
        inner, outer = profile[place - direction], profile[place]
        return float(place - direction * (half - outer) / (inner - outer))

    return float((crossing(1) - crossing(-1)) * step_mm)


def level_along_depth(beams: Beams) -> NDArray[np.float64]:
    """(S,) mean echo in dB of all pictures and lines but the outermost."""
    return np.asarray(beams.echo_db[:, 5:-5].mean((0, 1)), dtype=np.float64)


@pytest.mark.parametrize(("frequency", "f_number"), [(5.0, 2.0), (7.5, 2.0), (3.5, 4.5)])
def test_plain_tissue_is_fully_developed_speckle(noise: TissueNoise, frequency: float, f_number: float) -> None:
    """Rayleigh envelope: mean over deviation sqrt(pi / (4 - pi)) = 1.913 (PMC4916161, figure 12, and computed);
    deviation of its level in dB (20 / ln 10)(pi / sqrt 24) = 5.570 (computed).

    Within 3 and 2 %, the precision of so many resolution cells.
    """
    batch = 8
    beams = render(
        bodies(batch, noise_offset=offsets(batch, 4)),
        linear(batch, frequency_mhz=frequency),
        console(batch, f_number=f_number),
        noise,
        lines=128,
        samples=256,
    )
    part = slice(85, 170)  # about the focus, where the mean does not depend on depth
    inner = envelope(beams)[:, 5:-5, part]
    assert (inner.mean() / inner.std()).item() == pytest.approx(1.913, rel=0.03)
    assert beams.echo_db[:, 5:-5, part].std().item() == pytest.approx(5.570, rel=0.02)
    # Mean of the level against the root mean square, -2.507 dB (computed).
    below = beams.echo_db[:, 5:-5, part].mean() - 20 * torch.log10((inner**2).mean().sqrt())
    assert below.item() == pytest.approx(-2.507, abs=0.1)


@pytest.mark.parametrize(
    ("attenuation", "frequency", "depth", "round_trip_db"),
    # Round trip 2 alpha f z: 0.5 dB x 5 MHz x 4 cm = 20 dB; 0.7 x 5 x 6 = 42 (computed).
    [(0.5, 5.0, 40.0, 20.0), (0.7, 5.0, 60.0, 42.0)],
)
def test_attenuation_is_recovered_from_the_mean_echo(
    noise: TissueNoise, attenuation: float, frequency: float, depth: float, round_trip_db: float
) -> None:
    """With a gain that compensates nothing, the echo falls by the round trip; with full compensation it stays."""
    scanner = linear(PICTURES, depth_mm=depth, frequency_mhz=frequency)
    place = bodies(PICTURES, noise_offset=offsets(PICTURES, 2))
    fall = {}
    for tgc_error in (0.0, 1.0):
        settings = console(PICTURES, attenuation=attenuation, tgc_error=tgc_error, focus_mm=depth / 2)
        level = level_along_depth(render(place, scanner, settings, noise))
        z = (np.arange(len(level)) + 0.5) * depth / len(level)
        inner = (z > 6) & (z < depth - 3)
        fall[tgc_error] = -np.polyfit(z[inner], level[inner], 1)[0] * depth
    assert fall[1.0] == pytest.approx(round_trip_db, rel=0.05)
    assert abs(fall[0.0]) < 0.05 * round_trip_db


@pytest.mark.parametrize("frequency", [5.0, 7.5, 10.0])
def test_a_point_at_the_focus_is_as_wide_as_the_aperture_allows(frequency: float) -> None:
    """-6 dB, two ways, F number 2: 0.546 / 0.364 / 0.273 mm at 5 / 7.5 / 10 MHz, 0.886 lambda F (computed);
    along the beam 0.227 / 0.151 / 0.113 mm for 60 % bandwidth, (c / 2)(0.8825 / bandwidth) (computed).
    """
    side, step = 20.0, 20.0 / 1000
    beams = render(
        bodies(1),
        linear(depth_mm=side, width_mm=side, frequency_mhz=frequency),
        console(f_number=2.0, bandwidth=0.6, focus_mm=side / 2),
        one_scatterer(0.0, side / 2),
        lines=1001,
        samples=1001,
    )
    picture = envelope(beams)[0].double().numpy()
    line, sample = np.unravel_index(picture.argmax(), picture.shape)
    assert [int(line), int(sample)] == [500, 500]
    lateral = {5.0: 0.546, 7.5: 0.364, 10.0: 0.273}[frequency]
    axial = {5.0: 0.227, 7.5: 0.151, 10.0: 0.113}[frequency]
    assert full_width_mm(picture[:, sample], step) == pytest.approx(lateral, rel=0.05)
    assert full_width_mm(picture[line], step) == pytest.approx(axial, rel=0.05)


def test_points_away_from_the_focus_are_wider_and_not_longer() -> None:
    scanner = linear(depth_mm=40, width_mm=20)
    widths, lengths = [], []
    for z in (20.0, 28.0, 36.0):
        beams = render(bodies(1), scanner, console(focus_mm=20), one_scatterer(0, z), lines=401, samples=1001)
        picture = envelope(beams)[0].double().numpy()
        line, sample = np.unravel_index(picture.argmax(), picture.shape)
        widths.append(full_width_mm(picture[:, sample], 20 / 400))
        lengths.append(full_width_mm(picture[line], 40 / 1001))
    assert widths[0] < 0.95 * widths[1] < 0.95 * widths[2]
    assert max(lengths) == pytest.approx(min(lengths), rel=0.03)


@pytest.mark.parametrize(("lines", "samples"), [(128, 256), (160, 320)])
@pytest.mark.parametrize(("f_number", "bandwidth"), [(1.5, 0.9), (4.5, 0.3)])
@pytest.mark.parametrize(
    "scanner",
    [
        linear(6, depth_mm=35, width_mm=30, frequency_mhz=10),
        convex(6, depth_mm=150, frequency_mhz=4),
        convex(6, radius_mm=12, opening_degrees=100, depth_mm=70, frequency_mhz=7),
    ],
)
def test_plain_tissue_lies_at_0_db_at_all_depths(
    noise: TissueNoise, scanner: Scanner, f_number: float, bandwidth: float, lines: int, samples: int
) -> None:
    """By definition, for any machine and grid: noise, clutter and surfaces are given against it."""
    settings = console(
        6, f_number=f_number, bandwidth=bandwidth, focus_mm=float(scanner.depth_mm[0]) / 2, slice_thickness_mm=2.0
    )
    beams = render(bodies(6, noise_offset=offsets(6, 5)), scanner, settings, noise, lines=lines, samples=samples)
    power = (envelope(beams)[..., : samples // 5 * 5] ** 2).mean((0, 1)).unflatten(0, (5, -1)).mean(1)
    assert (10 * torch.log10(power)).tolist() == pytest.approx([0.0] * 5, abs=0.6)


def test_a_probe_at_rest_shows_a_picture_at_rest(noise: TissueNoise) -> None:
    place = bodies(PICTURES, noise_offset=offsets(PICTURES, 3))
    arguments = (place, linear(PICTURES), console(PICTURES, noise_db=-80), noise)
    one, same, later = render(*arguments), render(*arguments), render(*arguments, seed=6)
    assert torch.equal(one.echo_db, same.echo_db)
    # The machine's own noise changes, far below the echoes.
    assert not torch.equal(one.echo_db, later.echo_db)
    assert np.corrcoef(envelope(one).flatten(), envelope(later).flatten())[0, 1] > 0.999


def test_electronic_noise_hides_faint_echoes(noise: TissueNoise) -> None:
    """Noise of -10 dB against tissue, which is the most that a machine has, and noise of -90 dB."""
    place = bodies(PICTURES, noise_offset=offsets(PICTURES, 3))

    def correlation(first_db: float, second_db: float) -> float:
        """Of two pictures of the same tissue with noise of their own."""
        pictures = (
            render(place, linear(PICTURES), console(PICTURES, noise_db=level), noise, seed=seed)
            for level, seed in ((first_db, 5), (second_db, 6))
        )
        return float(np.corrcoef(*(envelope(picture).flatten() for picture in pictures))[0, 1])

    assert correlation(-90, -90) > 0.999
    assert correlation(-90, -6) < 0.93
    assert correlation(-6, -6) < 0.85
    fluid = Body((0, 0, 30), (60, 60, 60), {"echo_db": -40.0})
    quiet, noisy = (
        level_along_depth(render(bodies(4, fluid), linear(4), console(4, noise_db=level), noise))
        for level in (-90.0, -6.0)
    )
    assert (noisy - quiet)[20:].min() > 20  # what was 30 dB fainter than the noise


def test_the_depth_gain_amplifies_the_noise_up_to_what_the_machine_has(noise: TissueNoise) -> None:
    """The gain that compensates 0.5 dB/cm/MHz x 5 MHz x 2 ways amplifies noise by 0.5 dB/mm (computed), up to 10 dB
    below tissue. The mean level of noise in dB is 2.5 below that of its power (computed).
    """
    silent = bodies(4, Body((0, 0, 30), (60, 60, 60), {"echo_db": -100.0, "attenuation": 0.5}))

    def level(noise_db: float) -> NDArray[np.float64]:
        return level_along_depth(render(silent, linear(4), console(4, noise_db=noise_db), noise, samples=240))

    depth = (np.arange(240) + 0.5) / 4
    slope, at_face = np.polyfit(depth, level(-60.0), 1)
    assert slope == pytest.approx(0.5, rel=0.03)
    assert at_face == pytest.approx(-62.5, abs=0.7)
    np.testing.assert_allclose(level(-20.0)[depth > 21], -12.5, atol=1.5)
    assert level(-20.0)[depth > 21].mean() == pytest.approx(-12.5, abs=0.3)


@pytest.mark.parametrize("slice_thickness_mm", [1.0, 3.0])
def test_speckle_decorrelates_as_the_plane_moves_by_its_thickness(
    noise: TissueNoise, slice_thickness_mm: float
) -> None:
    """A Gaussian profile of width w at half maximum, deviation s = w / 2.355, correlates echoes by exp(-d^2 / 4 s^2),
    its autocorrelation, and their intensities by the square of that: 0.5 after 0.5 w and 0.06 after w (computed).
    """
    batch = 24
    start = offsets(batch, 3)

    def intensity(share: float) -> NDArray[np.float64]:
        there = start + share * slice_thickness_mm * torch.tensor([0.0, 1.0, 0.0])
        settings = console(batch, slice_thickness_mm=slice_thickness_mm)
        beams = render(bodies(batch, noise_offset=there), linear(batch), settings, noise, lines=48, samples=96)
        return (envelope(beams) ** 2).flatten().double().numpy()

    still = intensity(0.0)
    correlations = [np.corrcoef(still, intensity(share))[0, 1] for share in (0.0, 0.25, 0.5, 1.0, 2.0)]
    assert correlations == pytest.approx([1.0, 0.84, 0.5, 0.06, 0.0], abs=0.05)


def test_moving_the_probe_equals_moving_the_body_the_other_way(noise: TissueNoise) -> None:
    shift = torch.tensor([[1.3, -0.7, 2.1]])
    moved_probe = render(bodies(1), linear(), console(), noise, at=plane(1, shift[0].tolist()))
    moved_body = render(bodies(1, noise_offset=shift), linear(), console(), noise)
    torch.testing.assert_close(moved_probe.echo_db, moved_body.echo_db, atol=0.5, rtol=0)


def test_the_body_wall_shows_and_reverberates_at_twice_its_depth(noise: TissueNoise) -> None:
    place = bodies(8, noise_offset=offsets(8, 8))
    wall = {"skin_mm": 2.0, "fat_mm": 4.0, "muscle_mm": 100.0}
    without, once, again = (
        level_along_depth(render(place, linear(8), console(8, **settings), noise, samples=240))
        for settings in ({}, wall, {**wall, "reverberation": 0.6})
    )
    fat = slice(9, 23)  # 2.3 to 5.8 mm
    assert (once - without)[fat].min() < -3.0  # fat is darker than tissue
    border = slice(22, 28)  # 5.5 to 7 mm: the border between fat and muscle
    assert (once - without)[border].max() > 2.5  # 12 dB, but as thin as a sample and bent from line to line
    twice = slice(44, 54)  # 11 to 13.5 mm
    assert (again - once)[twice].max() > 2.0
    assert (again - once)[twice].max() < (once - without)[border].max()
    np.testing.assert_allclose((again - once)[80:], 0.0, atol=1e-3)


@pytest.mark.parametrize(("depth", "samples"), [(40.0, 320), (150.0, 128)])
def test_wall_borders_show_on_any_grid_and_only_where_there_is_a_layer(
    noise: TissueNoise, depth: float, samples: int
) -> None:
    """A border of a third of a millimetre must not be lost between samples 1.2 mm apart."""
    scanner = linear(8, depth_mm=depth)
    place = bodies(8, noise_offset=offsets(8, 8))

    def brightest(**wall: float) -> float:
        """Level of the brightest sample of a line between 4 and 13 mm, in the darkest tenth of all lines."""
        beams = render(place, scanner, console(8, focus_mm=depth / 2, **wall), noise, lines=64, samples=samples)
        z = (torch.arange(samples) + 0.5) * depth / samples
        return beams.echo_db[:, :, (z > 4) & (z < 13)].amax(2).quantile(0.1).item()

    assert brightest(fat_mm=8.0) > brightest() + 3
    assert brightest(skin_mm=100.0) == pytest.approx(brightest() + 5.0, abs=0.5)  # skin alone, without its border


def test_an_echo_at_one_edge_of_the_sector_does_not_wrap_to_the_other() -> None:
    beams = render(bodies(1), linear(width_mm=20), console(f_number=4), one_scatterer(-10.0, 30.0))
    level = beams.echo_db[0].amax(1)
    assert level[0] == level.max()
    assert level[-1] < level[0] - 60


def test_an_echo_at_the_face_does_not_wrap_to_the_bottom() -> None:
    beams = render(bodies(1), linear(depth_mm=30), console(focus_mm=15), one_scatterer(0.0, 0.1))
    level = beams.echo_db[0].amax(0)
    assert level[0] == level.max()
    assert level[-1] < level[0] - 60


def test_clutter_lies_near_the_face_only(noise: TissueNoise) -> None:
    fluid = Body((0, 0, 30), (60, 60, 60), {"echo_db": -40.0})
    clean, hazy = (
        level_along_depth(render(bodies(4, fluid), linear(4), console(4, clutter_db=level), noise))
        for level in (-100.0, 0.0)
    )
    assert (hazy - clean)[:12].mean() > 15
    assert abs((hazy - clean)[120:].mean()) < 1
