"""Impossible machines are refused, and the message names the setting that is wrong."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch

from synthetic.acoustics.geometry import View
from synthetic.errors import PhantomError
from tests.synthetic.acoustic_bench import console, convex


@pytest.mark.parametrize(
    ("setting", "value", "said"),
    [
        ("depth_mm", 0.0, r"depth_mm of a scanner must be above 0, got 0\."),
        ("depth_mm", -60.0, r"depth_mm of a scanner must be above 0, got -60\."),
        ("depth_mm", float("nan"), "depth_mm of a scanner"),
        ("radius_mm", 0.0, "radius_mm of a scanner"),
        ("half_angle_rad", -0.5, "half_angle_rad of a scanner"),
        ("frequency_mhz", 0.0, "frequency_mhz of a scanner"),
    ],
)
def test_impossible_scanners_are_refused_by_name(setting: str, value: float, said: str) -> None:
    with pytest.raises(PhantomError, match=said):
        replace(convex(), **{setting: torch.tensor([value])})


@pytest.mark.parametrize(
    ("setting", "value", "said"),
    [
        ("skin_mm", -0.1, r"skin_mm of a console must not be negative, got -0\.1\."),
        ("fat_mm", -2.0, "fat_mm of a console must not be negative"),
        ("muscle_mm", float("nan"), "muscle_mm of a console must not be negative"),
        ("slice_thickness_mm", -1.0, "slice_thickness_mm of a console must not be negative"),
        ("attenuation", -0.5, "attenuation of a console must not be negative"),
        ("reverberation", -0.1, "reverberation of a console must not be negative"),
        ("f_number", 0.0, "f_number of a console must be above 0"),
        ("focus_mm", 0.0, "focus_mm of a console"),
        ("bandwidth", 0.0, "bandwidth of a console"),
    ],
)
def test_impossible_consoles_are_refused_by_name(setting: str, value: float, said: str) -> None:
    with pytest.raises(PhantomError, match=said):
        replace(console(), **{setting: torch.tensor([value])})


def test_one_impossible_machine_of_many_is_enough() -> None:
    with pytest.raises(PhantomError, match="depth_mm of a scanner must be above 0, got -1"):
        replace(convex(), depth_mm=torch.tensor([60.0, -1.0, 80.0]))


def test_a_view_without_a_scale_is_refused() -> None:
    with pytest.raises(PhantomError, match="mm_per_px of a view must be above 0, got 0"):
        View(torch.zeros(1), torch.zeros(1), torch.zeros(1))
