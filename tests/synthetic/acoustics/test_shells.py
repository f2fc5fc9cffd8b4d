from __future__ import annotations

import math

import pytest
import torch
from torch import Tensor

from synthetic.acoustics.shells import Shell, ShellEcho, critical_sine, shell_echo, tunnelling_db

NARROW = 1e-4


def full(value: float, like: Tensor) -> Tensor:
    return torch.full_like(like, value)


def echo(
    thickness_mm: Tensor, frequency: float, bandwidth: float = NARROW, absorption: float = 0.0, mineral: float = 1.0
) -> ShellEcho:
    shell = Shell(thickness_mm, full(mineral, thickness_mm), full(absorption, thickness_mm))
    return shell_echo(shell, frequency_mhz=full(frequency, thickness_mm), bandwidth=full(bandwidth, thickness_mm))


@pytest.mark.parametrize(
    ("frequency", "passed_db"),
    # One-way transmission of 0.02, 0.05, 0.10, 0.20 and 0.30 mm between soft tissue and albumen, 4500 m/s and
    # 2300 kg/m3, without absorption (thin-layer formula, computed). The last at 7.5 MHz is half a wave.
    [
        (5.0, [-0.77, -3.36, -7.09, -10.28, -9.28]),
        (7.5, [-1.56, -5.43, -9.28, -9.28, 0.00]),
        (10.0, [-2.45, -7.09, -10.28, -3.36, -9.28]),
    ],
)
def test_a_lossless_layer_at_one_frequency_passes_what_the_textbook_says(
    frequency: float, passed_db: list[float]
) -> None:
    passed = -echo(torch.tensor([0.02, 0.05, 0.10, 0.20, 0.30]), frequency).loss_db
    assert passed.tolist() == pytest.approx(passed_db, abs=0.006)


@pytest.mark.parametrize(
    ("frequency", "reflected_db"),
    # The same layers' reflection (computed).
    [(5.0, [-7.91, -2.69, -0.94, -0.43, -0.55]), (7.5, [-5.21, -1.47, -0.55, -0.55, -39.6])],
)
def test_a_lossless_layer_at_one_frequency_reflects_what_the_textbook_says(
    frequency: float, reflected_db: list[float]
) -> None:
    reflected = echo(torch.tensor([0.02, 0.05, 0.10, 0.20, 0.30]), frequency).reflected_db
    assert reflected.tolist() == pytest.approx(reflected_db, abs=0.02)


def test_a_thick_absorbing_shell_reflects_as_its_face_alone() -> None:
    """Soft tissue to bulk shell: R = 0.7298, -2.7 dB of the intensity (computed)."""
    assert echo(torch.tensor(5.0), 7.5, 0.6, 5.0).reflected_db.item() == pytest.approx(-2.74, abs=0.05)


def test_without_a_shell_only_soft_tissue_and_albumen_reflect() -> None:
    """Their interface reflects -39.6 dB (1540 x 1050 against 1530 x 1035, computed), next to nothing."""
    bare = echo(torch.tensor(0.0), 7.5, 0.6)
    assert bare.reflected_db.item() == pytest.approx(-39.6, abs=0.05)
    assert bare.loss_db.item() == pytest.approx(0.0, abs=1e-3)


def test_what_is_neither_reflected_nor_absorbed_passes() -> None:
    thickness = torch.tensor([0.0, 0.01, 0.1, 0.3])
    whole = echo(thickness, 6.0, 0.6)
    energy = 10 ** (whole.reflected_db / 10) + 10 ** (-whole.loss_db / 10)
    torch.testing.assert_close(energy, torch.ones(4), atol=1e-4, rtol=0)
    absorbing = echo(thickness, 6.0, 0.6, 5.0)
    left = 10 ** (absorbing.reflected_db / 10) + 10 ** (-absorbing.loss_db / 10)
    assert (left[1:] < 0.99).all()


def test_a_broad_pulse_has_no_half_wave_window() -> None:
    """0.3 mm at 7.5 MHz: transparent to one frequency, never to a pulse."""
    half_wave = torch.tensor(0.3)
    assert echo(half_wave, 7.5).loss_db.item() == pytest.approx(0.0, abs=0.01)
    assert echo(half_wave, 7.5, 0.6).loss_db.item() > 2.0
    assert echo(half_wave, 7.5, 0.6, 4.0).loss_db.item() > 10.0


@pytest.mark.parametrize("frequency", [3.5, 5.0, 7.5, 11.0])
@pytest.mark.parametrize("bandwidth", [0.3, 0.9])
@pytest.mark.parametrize("mineral", [0.2, 0.7, 1.0])
def test_a_thicker_shell_always_loses_more(frequency: float, bandwidth: float, mineral: float) -> None:
    """From an absorption of 4 dB/mm/MHz on, the least of the shipped materials; with 1 the resonances would win."""
    thickness = torch.linspace(0.0, 0.6, 301)
    assert (echo(thickness, frequency, bandwidth, 4.0, mineral).loss_db.diff() > 0).all()
    if mineral == 1.0 and bandwidth == 0.3:
        assert (echo(thickness, frequency, bandwidth, 1.0, mineral).loss_db.diff() < 0).any()


def test_more_mineral_reflects_more() -> None:
    thin = torch.tensor(0.01)
    levels = [echo(thin, 7.5, 0.6, 4.0, mineral).reflected_db.item() for mineral in (0.0, 0.3, 0.6, 1.0)]
    assert levels == sorted(levels)
    assert levels[-1] > levels[0] + 10


def test_the_critical_angle_of_the_full_shell_is_20_degrees() -> None:
    """20.0 degrees from soft tissue to a shell of 4500 m/s (computed); a membrane has next to none."""
    mineral = torch.tensor([1.0, 0.0])
    sine = critical_sine(Shell(full(0.1, mineral), mineral, full(4.0, mineral)))
    assert math.degrees(math.asin(sine[0])) == pytest.approx(20.0, abs=0.05)
    assert math.degrees(math.asin(sine[1])) > 60


def test_tunnelling_follows_a_layer_between_equal_media() -> None:
    """20 log10 cosh of the depth, within 0.3 neper, 2.7 dB."""
    depth = torch.linspace(0, 5, 51)
    exact = 20 * torch.log10(torch.cosh(depth))
    assert (tunnelling_db(depth) - exact).abs().max() < 2.7
    assert tunnelling_db(torch.tensor(0.0)) == 0
