from __future__ import annotations

import pytest
import torch
from torch import Tensor

from synthetic.appearance.marks import MARK_HEIGHT, MARK_WIDTH, load_marks
from synthetic.appearance.overlays import draw_overlays
from tests.synthetic.appearance_samples import generator


def even(batch: int) -> Tensor:
    return torch.full((batch, 1, 128, 160), 0.3)


def test_overlays_are_drawn_on_some_pictures_only() -> None:
    painted = draw_overlays(even(400), generator(), share=0.1)
    touched = (painted != 0.3).flatten(1).any(1).float().mean().item()
    # A picture has none if it misses 7 kinds at 0.1, 2 at 0.05 and one at 0.02. An overlay may lie outside the picture.
    assert touched == pytest.approx(1 - 0.9**7 * 0.95**2 * 0.98, abs=0.08)
    assert (painted == 0).any()
    assert (painted > 0.9).any()
    assert painted.min() >= 0
    assert painted.max() <= 1


def test_overlays_are_the_same_on_all_frames_of_a_sweep() -> None:
    painted = draw_overlays(even(20).expand(-1, 3, -1, -1), generator(), share=0.5)
    alone = draw_overlays(even(20), generator(), share=0.5)
    assert torch.equal(painted, alone.expand(-1, 3, -1, -1))


def test_a_share_of_zero_draws_nothing() -> None:
    picture = even(50)
    assert torch.equal(draw_overlays(picture, generator(), share=0.0), picture)
    assert torch.equal(picture, even(50))


def test_overlays_leave_most_of_a_picture_free() -> None:
    """Even where every kind is drawn, labelled objects remain visible."""
    covered = (draw_overlays(even(100), generator(), share=1.0) != 0.3).float().mean((1, 2, 3))
    assert covered.mean() < 0.25
    usual = (draw_overlays(even(400), generator(), share=0.25) != 0.3).float().mean((1, 2, 3))
    assert usual.mean() < 0.06


def test_overlays_repeat_with_the_seed() -> None:
    one, same, other = (draw_overlays(even(20), generator(seed), share=0.5) for seed in (1, 1, 2))
    assert torch.equal(one, same)
    assert not torch.equal(one, other)


def test_marks_differ_and_none_is_empty_or_fills_its_tile() -> None:
    marks = load_marks(torch.device("cpu"))
    assert marks.shape[1:] == (2, MARK_HEIGHT, MARK_WIDTH)
    assert marks.min() >= 0
    assert marks.max() <= 1
    covered = marks[:, 1].mean((1, 2))
    assert (covered > 0.002).all()
    assert (covered < 0.9).all()
    assert len(torch.unique(marks.flatten(1), dim=0)) > 0.9 * len(marks)
