"""The signal-to-noise ratio of discs in speckle, against what it must be by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import torch
from torch import Tensor

from models import ellipse
from models.contrast import contrast_snr

HEIGHT, WIDTH = 480, 640
DEVIATION = 0.1


def picture(*discs: tuple[list[float], float]) -> Tensor:
    """(H, W) grey of 0.5 with a deviation of 0.1 from pixel to pixel; each disc has another mean grey."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    mean = np.full((HEIGHT, WIDTH), 0.5)
    for row, grey in discs:
        mean[ellipse.contains(row, np.stack([x.ravel(), y.ravel()], 1)).reshape(mean.shape)] = grey
    noise = np.random.default_rng(1).choice([-DEVIATION, DEVIATION], mean.shape)
    return torch.from_numpy(mean + noise).float()


def snr(pictures: Tensor, *rows: list[float]) -> list[float]:
    are_objects = torch.ones(1, len(rows), dtype=torch.bool)
    return [float(each) for each in contrast_snr(pictures[None], torch.tensor([rows]), are_objects)[0]]


@pytest.mark.parametrize("grey", [0.8, 0.2])
def test_is_the_difference_over_the_deviation_for_each_speckle_cell(grey: float) -> None:
    row = [300.0, 200.0, 40.0, 25.0, 30.0]
    cells = math.pi * 40 * 25 * 0.85**2 / 10**2
    assert snr(picture((row, grey)), row)[0] == pytest.approx(0.3 / DEVIATION * math.sqrt(cells), rel=0.1)


def test_is_near_zero_where_nothing_is() -> None:
    assert snr(picture(), [300.0, 200.0, 40.0, 25.0, 30.0])[0] < 1


def test_a_neighbour_and_black_are_no_surroundings() -> None:
    row, neighbour = [300.0, 200.0, 40.0, 40.0, 0.0], [390.0, 200.0, 40.0, 40.0, 0.0]
    alone = snr(picture((row, 0.7)), row)[0]
    shown = picture((row, 0.7), (neighbour, 1.0))
    assert snr(shown, row, neighbour)[0] == pytest.approx(alone, rel=0.1)
    assert snr(shown, row)[0] < 0.8 * alone
    shown[:150] = 0.0
    assert snr(shown, row, neighbour)[0] == pytest.approx(alone, rel=0.1)


def test_only_what_lies_in_the_picture_counts() -> None:
    whole, half = [300.0, 200.0, 40.0, 40.0, 0.0], [0.0, 200.0, 40.0, 40.0, 0.0]
    shown = picture((whole, 0.7), (half, 0.7))
    ratios = snr(shown, whole, half)
    assert ratios[1] == pytest.approx(ratios[0] / math.sqrt(2), rel=0.1)


def test_is_unknown_without_surroundings_or_without_an_object() -> None:
    row, around = [300.0, 200.0, 20.0, 20.0, 0.0], [300.0, 200.0, 60.0, 60.0, 0.0]
    assert math.isnan(snr(picture(), row, around)[0])
    assert math.isnan(snr(picture(), [-60.0, 200.0, 20.0, 20.0, 0.0])[0])
    rows = torch.tensor([[row, [0.0] * 5]])
    result = contrast_snr(picture()[None], rows, torch.tensor([[True, False]]))[0]
    assert result.isnan().tolist() == [False, True]


def test_pictures_are_measured_each_by_itself() -> None:
    row = [300.0, 200.0, 40.0, 25.0, 30.0]
    shown = torch.stack([picture(), picture((row, 0.9))])
    together = contrast_snr(shown, torch.tensor([[row], [row]]), torch.ones(2, 1).bool())
    np.testing.assert_allclose(together[:, 0].numpy(), [snr(each, row)[0] for each in shown], rtol=1e-4)


def test_does_not_depend_on_the_size_of_the_picture() -> None:
    row = [300.0, 200.0, 40.0, 25.0, 30.0]
    shown = picture((row, 0.8))
    doubled = shown.repeat_interleave(2, 0).repeat_interleave(2, 1)
    assert snr(doubled, [2 * row[0] + 0.5, 2 * row[1] + 0.5, 80.0, 50.0, 30.0])[0] == pytest.approx(
        snr(shown, row)[0], rel=0.1
    )


def test_the_edge_of_a_shadow_is_no_contrast() -> None:
    row = [300.0, 200.0, 40.0, 40.0, 0.0]
    shown = picture()
    shown[:, 300:] *= 0.4
    loss_db = torch.zeros_like(shown)
    loss_db[:, 300:] = 20.0
    is_object, rows = torch.ones(1, 1, dtype=torch.bool), torch.tensor([[[260.0, 200.0, 60.0, 60.0, 0.0]]])
    assert contrast_snr(shown[None], rows, is_object) > 3
    assert contrast_snr(shown[None], rows, is_object, loss_db=loss_db[None]) < 1
    ball = picture((row, 0.8))
    assert contrast_snr(ball[None], torch.tensor([[row]]), is_object, loss_db=loss_db[None] * 0) > 5


def test_plain_speckle_rarely_stands_out() -> None:
    """Grains of about ten pixels, as the measure assumes: one disc in twenty reaches 2 by chance."""
    generator = torch.Generator().manual_seed(2)
    grains = torch.randn(1, 1, HEIGHT, WIDTH, generator=generator)
    grains = torch.nn.functional.avg_pool2d(grains, 9, stride=1, padding=4)
    grey = (0.5 + 0.1 * grains / grains.std()).clamp(0, 1)[0, 0]
    place = torch.rand(200, 2, generator=generator) * torch.tensor([440.0, 280.0]) + 100
    size = 12 + 30 * torch.rand(200, 1, generator=generator)
    rows = torch.cat([place, size, size, torch.zeros(200, 1)], 1)
    ratios = torch.tensor([snr(grey, row)[0] for row in rows.tolist()])
    assert (ratios >= 2).float().mean() < 0.1
