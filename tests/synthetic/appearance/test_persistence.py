from __future__ import annotations

import pytest
import torch

from synthetic.appearance.persistence import Persistence
from tests.synthetic.appearance_samples import generator

FRAMES = torch.rand(7, 5, 6, generator=generator())


def test_without_persistence_each_frame_stands_alone() -> None:
    assert torch.equal(Persistence(0.0).show(FRAMES), FRAMES)


def test_a_flash_fades_by_the_share_from_frame_to_frame() -> None:
    flash = torch.zeros(6, 1, 1)
    flash[2] = 1.0
    shown = Persistence(0.4).show(flash).flatten()
    torch.testing.assert_close(shown, torch.tensor([0.0, 0.0, 0.6, 0.24, 0.096, 0.0384]))
    # Its mean delay is 0.4 / 0.6 frames.
    long = Persistence(0.4).show(torch.cat([flash, torch.zeros(40, 1, 1)])).flatten()
    delay = (long * (torch.arange(46) - 2)).sum() / long.sum()
    assert delay.item() == pytest.approx(2 / 3, abs=1e-4)


def test_a_clip_in_parts_equals_the_clip_at_once() -> None:
    whole = Persistence(0.3).show(FRAMES)
    parts = Persistence(0.3)
    torch.testing.assert_close(torch.cat([parts.show(FRAMES[:3]), parts.show(FRAMES[3:])]), whole)


def test_a_still_picture_stays_as_it_is() -> None:
    still = FRAMES[:1].expand(4, -1, -1)
    torch.testing.assert_close(Persistence(0.5).show(still), still)
