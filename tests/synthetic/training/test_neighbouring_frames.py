"""The frames around a picture: the middle one is itself, the others lie a hand's step away on both sides."""

from __future__ import annotations

import math

import pytest
import torch

from synthetic.acoustics.beam_rendering import Plane
from synthetic.acoustics.geometry import View
from synthetic.training.neighbouring_frames import planes_nearby, repeat_per_frame

NUMBER = 4000


@pytest.fixture(scope="module")
def middle() -> Plane:
    generator = torch.Generator().manual_seed(1)
    down = torch.nn.functional.normalize(torch.randn(NUMBER, 3, generator=generator), dim=1)
    right = torch.linalg.cross(down, torch.randn(NUMBER, 3, generator=generator))
    return Plane(50 * torch.randn(NUMBER, 3, generator=generator), torch.nn.functional.normalize(right, dim=1), down)


@pytest.fixture(scope="module")
def sweeps(middle: Plane) -> Plane:
    """Each (NUMBER, 3 frames, 3)."""
    near = planes_nearby(middle, 3, torch.Generator().manual_seed(2))
    return Plane(*(rows.unflatten(0, (NUMBER, 3)) for rows in vars(near).values()))


def test_the_middle_frame_is_the_plane_itself(middle: Plane, sweeps: Plane) -> None:
    for name, rows in vars(sweeps).items():
        torch.testing.assert_close(rows[:, 1], getattr(middle, name), rtol=0, atol=1e-4)


def test_directions_stay_upright_to_each_other(sweeps: Plane) -> None:
    for rows in (sweeps.right, sweeps.down):
        torch.testing.assert_close(rows.norm(dim=2), torch.ones(NUMBER, 3), rtol=0, atol=1e-5)
    assert (sweeps.right * sweeps.down).sum(2).abs().max() < 1e-5


def test_the_hand_steps_across_the_plane_at_its_own_pace_or_rests(middle: Plane, sweeps: Plane) -> None:
    before, after = (sweeps.origin[:, frame] - middle.origin for frame in (0, 2))
    torch.testing.assert_close(before, -after, rtol=0, atol=1e-4)
    step = (after * torch.linalg.cross(middle.right, middle.down)).sum(1)
    rests = after.norm(dim=1) < 1e-4
    assert float(rests.float().mean()) == pytest.approx(0.1, abs=0.02)
    assert not (sweeps.right[rests, 0] - sweeps.right[rests, 2]).abs().gt(1e-6).any()
    moving = step[~rests]
    # Log-uniform from 0.1 to 1.5 mm, either way.
    assert 0.099 < float(moving.abs().min()) < 0.102
    assert 1.45 < float(moving.abs().max()) < 1.501
    assert float(moving.abs().median()) == pytest.approx(math.sqrt(0.1 * 1.5), rel=0.06)
    assert float((moving > 0).float().mean()) == pytest.approx(0.5, abs=0.03)


def test_the_hand_drifts_and_turns_a_little(middle: Plane, sweeps: Plane) -> None:
    after = sweeps.origin[:, 2] - middle.origin
    for direction in (middle.right, middle.down):
        assert float((after * direction).sum(1).std()) == pytest.approx(0.1, rel=0.15)
    turned = torch.rad2deg(torch.acos((sweeps.down[:, 2].double() * middle.down.double()).sum(1).clamp(max=1)))
    # Two of three turns move a direction: a Rayleigh distribution of 0.3 degrees, and a tenth at rest.
    assert float(turned.mean()) == pytest.approx(0.9 * 0.3 * math.sqrt(math.pi / 2), rel=0.1)


def test_what_frames_share_stands_beside_each_of_them() -> None:
    view = repeat_per_frame(View(torch.tensor([0.2, 0.3]), torch.tensor([1.0, 2.0]), torch.tensor([5.0, 6.0])), 3)
    assert view.mm_per_px.tolist() == pytest.approx([0.2, 0.2, 0.2, 0.3, 0.3, 0.3])
    assert view.face_y_px.tolist() == [5.0, 5.0, 5.0, 6.0, 6.0, 6.0]
