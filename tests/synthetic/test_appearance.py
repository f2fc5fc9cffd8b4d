from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st
from torch import Tensor

from synthetic.appearance import Look, draw_look, draw_overlays, dress, to_grey
from tests.synthetic.laboratory import column


def generator(seed: int = 1) -> torch.Generator:
    return torch.Generator().manual_seed(seed)


def plain(batch: int = 1, **changes: float) -> Look:
    """A look that leaves a picture as it is."""
    values = {
        "dynamic_range_db": 60.0,
        "level": 0.4,
        "gamma": 1.0,
        "contrast": 0.0,
        "smooth_px": 0.0,
        "sharpen": 0.0,
        "grain": 0.0,
        "blocks": 0.0,
        "shrink": 1.0,
    }
    return Look(**{name: column(value, batch) for name, value in (values | changes).items()})


def speckled(batch: int = 1, height: int = 64, width: int = 96, seed: int = 2) -> Tensor:
    """Grey in [0, 1] with patches and grain."""
    coarse = torch.rand(batch, 1, height // 8, width // 8, generator=generator(seed))
    fine = torch.rand(batch, 1, height, width, generator=generator(seed + 1))
    patches = torch.nn.functional.interpolate(coarse, size=(height, width), mode="bilinear")
    return (0.7 * patches + 0.3 * fine).clamp(0, 1)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**31 - 1))
def test_any_look_gives_grey_between_black_and_white(seed: int) -> None:
    dice = generator(seed)
    look = draw_look(6, dice)
    echo = 30 * torch.randn(6, 40, 48, generator=dice)
    grey = to_grey(echo, look)
    picture = dress(draw_overlays(speckled(6, seed=seed % 1000), dice), look, dice)
    for result in (grey, picture):
        assert torch.isfinite(result).all()
        assert result.min() >= 0
        assert result.max() <= 1
    assert picture.shape == (6, 1, 64, 96)


def test_a_plain_look_leaves_the_picture_as_it_is() -> None:
    picture = speckled()
    torch.testing.assert_close(dress(picture, plain(), generator()), picture, atol=1e-4, rtol=0)
    echo = torch.tensor([[[-30.0, -24.0, 0.0, 12.0, 36.0, 50.0]]])
    torch.testing.assert_close(to_grey(echo, plain()), torch.tensor([[[0.0, 0.0, 0.4, 0.6, 1.0, 1.0]]]))


@pytest.mark.parametrize("contrast", [-0.5, 0.0, 1.0])
@pytest.mark.parametrize("gamma", [0.64, 1.0, 1.57])
def test_a_stronger_echo_is_never_darker(contrast: float, gamma: float) -> None:
    echo = torch.linspace(-60, 60, 500)[None, None]
    grey = to_grey(echo, plain(contrast=contrast, gamma=gamma))[0, 0]
    assert (grey.diff() >= -1e-6).all()
    assert grey[0] == 0
    assert grey[-1] == 1


def test_grey_levels_share_the_dynamic_range() -> None:
    """28.4 / 23.7 / 17.8 grey levels of 256 for the 5.57 dB deviation of speckle at 50 / 60 / 80 dB (computed)."""
    for span, levels in ((50.0, 28.4), (60.0, 23.7), (80.0, 17.8)):
        step = to_grey(torch.tensor([[[0.0, 5.570]]]), plain(dynamic_range_db=span)).diff().item() * 255
        assert step == pytest.approx(levels, abs=0.05)


def test_coding_in_blocks_spoils_more_the_stronger_it_is() -> None:
    picture = speckled()
    errors = [
        (dress(picture, plain(blocks=strength), generator()) - picture).square().mean().item()
        for strength in (0.0, 0.1, 0.3, 0.6, 1.0)
    ]
    assert errors[0] < 1e-8
    assert all(more > 1.2 * less for less, more in pairwise(errors[1:])), errors
    assert errors[-1] < 0.02


def test_coding_in_blocks_keeps_an_even_grey_and_stays_within_its_block() -> None:
    even = torch.full((1, 1, 16, 16), 0.5)
    even[..., :8, :8] = speckled(1, 8, 8)
    coded = dress(even, plain(blocks=1.0), generator())
    outside = torch.ones(16, 16, dtype=torch.bool)
    outside[:8, :8] = False
    torch.testing.assert_close(coded[0, 0][outside], torch.full((192,), 0.5), atol=0.011, rtol=0)
    assert coded[0, 0][outside].std() < 1e-5


def test_smoothing_evens_out_and_sharpening_does_the_opposite() -> None:
    picture = speckled() * 0.4 + 0.3
    smooth, sharp = (
        dress(picture, look, generator()).diff(dim=3).abs().mean()
        for look in (plain(smooth_px=1.5), plain(sharpen=0.8))
    )
    before = picture.diff(dim=3).abs().mean()
    assert smooth < 0.5 * before
    assert sharp > 1.3 * before
    # Smoothing moves no grey: the mean stays.
    blurred = dress(picture, plain(smooth_px=1.5), generator())
    assert blurred.mean().item() == pytest.approx(picture.mean().item(), abs=0.01)


def test_each_picture_of_a_batch_is_blurred_by_its_own_width() -> None:
    picture = speckled().expand(2, -1, -1, -1)
    look = replace(plain(2), smooth_px=torch.tensor([0.0, 2.0]))
    dressed = dress(picture, look, generator())
    torch.testing.assert_close(dressed[0], picture[0], atol=1e-4, rtol=0)
    assert (dressed[1] - picture[1]).abs().mean() > 0.02


def test_a_coarser_picture_has_lost_its_finest_detail() -> None:
    picture = speckled()
    coarse = dress(picture, plain(shrink=2.0), generator())
    assert coarse.diff(dim=3).abs().mean() < 0.7 * picture.diff(dim=3).abs().mean()
    pooled = torch.nn.functional.avg_pool2d
    torch.testing.assert_close(pooled(coarse, 8), pooled(picture, 8), atol=0.05, rtol=0)


def test_grain_is_as_strong_as_asked() -> None:
    even = torch.full((1, 1, 64, 64), 0.5)
    assert dress(even, plain(grain=0.03), generator()).std().item() == pytest.approx(0.03, rel=0.1)


def test_without_spread_every_look_is_the_middle_one() -> None:
    look = draw_look(300, generator(), spread=0.0)
    torch.testing.assert_close(look.dynamic_range_db, torch.full((300,), 61.5))
    torch.testing.assert_close(look.level, torch.full((300,), 0.37))
    torch.testing.assert_close(look.gamma, torch.ones(300))
    # What only some machines do is done by its middle or not at all.
    for values, share, middle in ((look.grain, 0.4, 0.02), (look.blocks, 0.6, 0.55), (look.contrast, 0.5, 0.25)):
        done = values != 0
        assert done.float().mean().item() == pytest.approx(share, abs=0.1)
        torch.testing.assert_close(values[done], torch.full_like(values[done], middle))


def test_looks_spread_over_their_ranges_and_less_when_asked() -> None:
    wide, narrow = (draw_look(500, generator(), spread=spread) for spread in (1.0, 0.45))
    assert wide.dynamic_range_db.min() >= 38
    assert wide.dynamic_range_db.max() <= 85
    assert wide.dynamic_range_db.std() > 10
    assert (narrow.dynamic_range_db - 61.5).abs().max() <= 0.45 * 23.5 + 1e-3
    assert narrow.level.std() < 0.6 * wide.level.std()


def test_overlays_paint_some_pictures_and_leave_the_others() -> None:
    picture = torch.full((200, 1, 64, 96), 0.5)
    painted = draw_overlays(picture, generator())
    touched = (painted != picture).flatten(1).any(1).float().mean().item()
    # Each of four kinds over 35 % of pictures, so that 18 % stay bare; a mark may lie where nothing changes.
    assert touched == pytest.approx(1 - 0.65**4, abs=0.1)
    assert (painted == 0).any()
    assert (painted == 1).any()
    assert torch.equal(draw_overlays(picture, generator(), share=0.0), picture)
    assert torch.equal(picture, torch.full((200, 1, 64, 96), 0.5))


def test_dressing_repeats_with_the_seed() -> None:
    look = draw_look(3, generator(4))
    one, same, other = (dress(speckled(3), replace(look, grain=column(0.02, 3)), generator(s)) for s in (1, 1, 2))
    assert torch.equal(one, same)
    assert not torch.equal(one, other)
