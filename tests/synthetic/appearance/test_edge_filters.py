from __future__ import annotations

import pytest
import torch

from synthetic.appearance.edge_filters import enhance_along_beams, enhance_picture
from tests.synthetic.appearance_samples import no_edges, roughness, speckled


@pytest.mark.parametrize("kind", ["sharpen", "halo", "ringing"])
def test_detail_is_added_and_grey_kept(kind: str) -> None:
    picture = speckled() * 0.4 + 0.3
    sharp = enhance_picture(picture, no_edges(**{kind: 0.5}))
    assert roughness(sharp) > 1.2 * roughness(picture)
    assert sharp.mean().item() == pytest.approx(picture.mean().item(), abs=0.005)
    even = torch.full((1, 1, 64, 96), 0.5)
    torch.testing.assert_close(enhance_picture(even, no_edges(**{kind: 0.5})), even)


@pytest.mark.parametrize(("kind", "reach_px"), [("sharpen", 4), ("halo", 12), ("ringing", 3)])
def test_a_border_overshoots_as_far_as_the_filter_reaches(kind: str, reach_px: int) -> None:
    border = torch.where(torch.arange(96) < 48, 0.3, 0.7).expand(1, 1, 64, 96)
    changed = (enhance_picture(border, no_edges(**{kind: 0.5})) - border)[0, 0, 32]
    assert changed[48] > 0.05
    assert changed[47] < -0.05
    where = torch.nonzero(changed.abs() > 1e-3)[:, 0]
    assert 48 - reach_px <= where.min()
    assert where.max() <= 47 + reach_px
    assert where.max() - where.min() + 1 >= reach_px
    # Equally far to both sides, or outlines would move.
    torch.testing.assert_close(changed[48:78], -changed[18:48].flip(0), atol=1e-4, rtol=0)


def test_ringing_acts_along_the_rows_only() -> None:
    rows = torch.where(torch.arange(64) < 32, 0.3, 0.7)[:, None].expand(1, 1, 64, 96)
    torch.testing.assert_close(enhance_picture(rows, no_edges(ringing=0.5)), rows)


def test_enhancement_along_a_beam_ignores_other_beams() -> None:
    grey = torch.full((1, 9, 40), 0.4)
    grey[0, 4, 20:] = 0.6
    sharp = enhance_along_beams(grey, no_edges(along=1.0))
    assert sharp[0, 4, 20] > 0.65
    assert sharp[0, 4, 19] < 0.35
    others = torch.arange(9) != 4
    torch.testing.assert_close(sharp[0, others], grey[0, others])
    assert torch.equal(enhance_along_beams(grey, no_edges()), grey)
