from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import torch
from scipy.fft import dctn, idctn

from synthetic.appearance.compression import Compression, compress
from tests.synthetic.appearance_samples import draws, generator, lossless_compression, roughness, speckled


def test_stronger_block_coding_has_larger_errors() -> None:
    picture = speckled()
    errors = [
        (compress(picture, lossless_compression(blocks=strength)) - picture).square().mean().item()
        for strength in (0.0, 0.1, 0.3, 0.6, 1.0)
    ]
    assert errors[0] == 0
    assert all(more > 1.2 * less for less, more in pairwise(errors[1:])), errors
    assert errors[-1] < 0.02


@pytest.mark.parametrize("size", [4, 8, 16])
def test_block_coding_rounds_scipys_cosine_transform(size: int) -> None:
    picture = speckled(1, 32, 32)
    coded = compress(picture, lossless_compression(blocks=0.7, block_px=size))[0, 0].numpy()
    k = np.arange(size)
    step = 0.7 * (0.02 + 0.02 * 8 / size * (k[:, None] + k[None, :]))
    block = picture[0, 0, size : 2 * size, size : 2 * size].numpy().astype(np.float64)
    expected = idctn(np.round(dctn(block, norm="ortho") / step) * step, norm="ortho")
    shown = coded[size : 2 * size, size : 2 * size]
    # A coefficient on the border of two steps may be rounded either way.
    assert np.median(np.abs(shown - expected.clip(0, 1))) < 1e-4


def test_block_coding_keeps_an_even_grey_and_stays_within_its_block() -> None:
    even = torch.full((1, 1, 16, 16), 0.5)
    even[..., :8, :8] = speckled(1, 8, 8)
    coded = compress(even, lossless_compression(blocks=1.0))
    outside = torch.ones(16, 16, dtype=torch.bool)
    outside[:8, :8] = False
    torch.testing.assert_close(coded[0, 0][outside], torch.full((192,), 0.5), atol=0.011, rtol=0)
    assert coded[0, 0][outside].std() < 1e-5


def test_a_shrunken_picture_has_lost_its_finest_detail() -> None:
    picture = speckled()
    coarse = compress(picture, lossless_compression(shrink=2.0))
    assert roughness(coarse) < 0.7 * roughness(picture)
    pooled = torch.nn.functional.avg_pool2d
    torch.testing.assert_close(pooled(coarse, 8), pooled(picture, 8), atol=0.05, rtol=0)


def test_doubled_pixels_come_in_pairs() -> None:
    picture = speckled()
    doubled = compress(picture, lossless_compression(right=2.0, use_nearest=True))
    same = (doubled.diff(dim=3) == 0).float().mean().item()
    assert same == pytest.approx(0.5, abs=0.02)
    assert (doubled.diff(dim=2) == 0).float().mean().item() < 0.1


def test_interlacing_shifts_rows_equally_to_both_sides() -> None:
    border = torch.where(torch.arange(96) < 48, 0.2, 0.8).expand(1, 1, 64, 96)
    woven = compress(border, lossless_compression(comb_px=1.0))[0, 0]
    crossing = (woven[:, :95] < 0.5).float().sum(1)  # where each row turns bright
    assert sorted(set(crossing.tolist())) == [47, 49]
    assert crossing.mean() == 48


def test_grey_levels_are_as_few_as_given() -> None:
    levels = torch.unique(compress(speckled(), lossless_compression(levels=12.0)))
    assert 5 <= len(levels) <= 12
    torch.testing.assert_close(levels * 11, (levels * 11).round(), atol=1e-4, rtol=0)


def test_all_block_sizes_and_no_coding_occur() -> None:
    compression = Compression.draw(draws(3000))
    shares = [(compression.block_px == size).float().mean().item() for size in (4, 8, 16)]
    assert shares == pytest.approx([0.25, 0.6, 0.15], abs=0.03)
    assert (compression.blocks == 0).float().mean().item() == pytest.approx(0.4, abs=0.03)
    assert (compression.comb_px > 0).float().mean().item() == pytest.approx(0.06, abs=0.02)
    assert compress(torch.rand(3000, 1, 16, 16, generator=generator()), compression).shape == (3000, 1, 16, 16)
