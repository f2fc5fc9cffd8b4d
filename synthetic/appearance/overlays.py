"""What a machine or its user draws on the sector itself: rulers, marks, words, measurements, colour flow boxes.

Strokes are sets of dots that are scattered over all pictures at once, and marks are tiles from a bank. So a dozen kinds
of overlays take less time than one blur. All are placed at random: if measurements lay on objects, they would give them
away to the network.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.ellipse_points import ellipse_points
from synthetic.appearance.marks import MARK_HEIGHT, MARK_WIDTH, load_marks
from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import per_picture

__all__ = ["draw_overlays"]

_MAX_MARKS = 3
_TICKS, _TICK_PX = 32, 7  # of a ruler: their number, and their greatest length


@dataclass(frozen=True)
class _Dots:
    """x, y : (B, P) px;  grey : (B, P), 0 where there is no dot"""

    x: Tensor
    y: Tensor
    grey: Tensor


@dataclass(frozen=True)
class _Boxes:
    """Upright boxes; each (B, 1) px."""

    left: Tensor
    top: Tensor
    wide: Tensor
    high: Tensor

    def pixels(self, height: int, width: int) -> Tensor:
        """(B, 1, H, W) bool, True inside."""
        x = torch.arange(width, device=self.left.device)
        y = torch.arange(height, device=self.left.device)
        columns = (x >= self.left) & (x < self.left + self.wide)
        rows = (y >= self.top) & (y < self.top + self.high)
        return (rows[:, :, None] & columns[:, None, :])[:, None]


def draw_overlays(picture: Tensor, generator: torch.Generator, *, share: float) -> Tensor:
    """(B, F, H, W) grey in [0, 1] with overlays, each kind on ``share`` of the pictures or fewer.

    The F frames of a sweep have the same overlays, since a machine draws the same on every frame.
    """
    draws = Draws(picture.shape[0], generator)
    height, width = picture.shape[2:]
    picture = _flow_box(picture, draws, share / 5)
    picture = _dark_box(picture, draws, share)
    dots = [
        _ruler(draws, height, width, share),
        _caliper(draws, height, width, share),
        _dotted_ellipse(draws, height, width, share / 2),
        _box(draws, height, width, share / 2),
        _stroke(draws, height, width, share),
    ]
    picture = _scatter(picture, dots)
    for _ in range(_MAX_MARKS):
        picture = _stamp(picture, draws, share)
    return picture


def _scatter(picture: Tensor, dots: list[_Dots]) -> Tensor:
    """Dots drawn on pictures. Where several fall on a pixel the brightest counts, so their order does not matter."""
    height, width = picture.shape[2:]
    x, y = torch.cat([d.x for d in dots], 1).round(), torch.cat([d.y for d in dots], 1).round()
    grey = torch.cat([d.grey for d in dots], 1)
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    place = torch.where(inside, y * width + x, 0.0).long()[:, None]
    grey = torch.where(inside, grey, 0.0)[:, None]
    flat = picture.flatten(2)  # (B, F, H * W)
    frames = (-1, flat.shape[1], -1)
    return flat.scatter_reduce(2, place.expand(frames), grey.expand(frames), "amax").view_as(picture)


def _near_an_edge(draws: Draws, size: float) -> Tensor:
    """(B, 1) px; most within a fifth of the picture from one of two edges, some anywhere."""
    edge = draws.uniform(0, 0.2, 1)
    edge = torch.where(draws.chance(0.5)[:, None], edge, 1 - edge)
    return size * torch.where(draws.chance(0.7)[:, None], edge, draws.uniform(0, 1, 1))


def _overlay_grey(draws: Draws, share: float) -> Tensor:
    """(B, 1) grey of an overlay, 0 where there is none."""
    return draws.sometimes(share, draws.uniform(0.45, 1.0, 1))


def _ruler(draws: Draws, height: int, width: int, share: float) -> _Dots:
    """Ticks along a line that runs down, across or along a slanting edge of the sector. Every fifth is longer."""
    device = draws.generator.device
    tick = torch.arange(_TICKS, device=device, dtype=torch.float32)
    reach = torch.arange(_TICK_PX, device=device, dtype=torch.float32)
    direction = draws.kind(0.45, 0.15)
    slant = torch.deg2rad(draws.uniform(-50, 50))
    angle = torch.where(direction == 0, 0.0, torch.where(direction == 1, torch.pi / 2, slant))[:, None]
    down, right = torch.cos(angle), torch.sin(angle)
    x0, y0 = _near_an_edge(draws, width), draws.uniform(-0.1, 0.5, 1) * height
    is_across = angle == torch.pi / 2
    x0, y0 = torch.where(is_across, y0, x0), torch.where(is_across, x0, y0)
    along = tick[None, :] * draws.uniform(4, 26, 1)
    length = torch.where(tick % 5 == 0, 2.0, 1.0) * draws.uniform(1, 3, 1)  # (B, ticks)
    x = (x0 + along * right)[..., None] + reach * down[..., None]
    y = (y0 + along * down)[..., None] - reach * right[..., None]
    grey = torch.where(reach < length[..., None], _overlay_grey(draws, share)[..., None], 0.0)
    return _Dots(x.flatten(1), y.flatten(1), grey.flatten(1))


def _caliper(draws: Draws, height: int, width: int, share: float) -> _Dots:
    """Two crosses, upright or slanting, and mostly a dotted line between them."""
    device = draws.generator.device
    x0, y0 = draws.uniform(0, width, 1), draws.uniform(0, height, 1)
    x1, y1 = x0 + 35 * draws.normal(1), y0 + 35 * draws.normal(1)
    arm = torch.arange(-5, 6, device=device, dtype=torch.float32)
    angle = torch.where(draws.chance(0.5), 0.0, torch.pi / 4)[:, None]
    grey = _overlay_grey(draws, share)
    arms = torch.where(arm.abs() <= draws.uniform(1.5, 5.5, 1), grey, 0.0)
    xs, ys, greys = [], [], []
    for x, y in ((x0, y0), (x1, y1)):
        for turn in (angle, angle + torch.pi / 2):
            xs.append(x + arm * torch.cos(turn))
            ys.append(y + arm * torch.sin(turn))
            greys.append(arms)
    part = torch.linspace(0, 1, 32, device=device)
    xs.append(x0 + part * (x1 - x0))
    ys.append(y0 + part * (y1 - y0))
    greys.append(torch.where(draws.chance(0.7)[:, None], grey, 0.0).expand(-1, 32))
    return _Dots(torch.cat(xs, 1), torch.cat(ys, 1), torch.cat(greys, 1))


def _dotted_ellipse(draws: Draws, height: int, width: int, share: float) -> _Dots:
    """The ellipse of a measured area."""
    turn = torch.arange(72, device=draws.generator.device) * (2 * torch.pi / 72)
    x, y = draws.uniform(0, width, 1), draws.uniform(0, height, 1)
    a = torch.exp(draws.uniform(2.2, 4.3, 1))
    b = a * draws.uniform(0.5, 1.0, 1)
    angle = draws.uniform(0, torch.pi, 1)
    return _Dots(*ellipse_points(x, y, (a, b), angle, turn), _overlay_grey(draws, share).expand(-1, 72))


def _box(draws: Draws, height: int, width: int, share: float) -> _Dots:
    """Outline of a region, upright or slanting."""
    part = torch.linspace(0, 1, 160, device=draws.generator.device)
    left, top = draws.uniform(0, 0.6, 1) * width, draws.uniform(0, 0.6, 1) * height
    wide, high = draws.uniform(0.15, 0.7, 1) * width, draws.uniform(0.15, 0.7, 1) * height
    slant = torch.where(draws.chance(0.6)[:, None], 0.0, draws.uniform(-0.4, 0.4, 1))
    x = torch.cat([left + part * wide, left + part * wide + slant * high, left + part * slant * high], 1)
    x = torch.cat([x, left + wide + part * slant * high], 1)
    y = torch.cat([top.expand(-1, 160), (top + high).expand(-1, 160), top + part * high, top + part * high], 1)
    return _Dots(x, y, _overlay_grey(draws, share).expand(-1, 640))


def _stroke(draws: Draws, height: int, width: int, share: float) -> _Dots:
    """A short line, mostly level or upright, one or two pixels wide."""
    part = torch.arange(48, device=draws.generator.device, dtype=torch.float32)
    angle = torch.where(draws.chance(0.5), 0.0, torch.pi / 2)
    angle = torch.where(draws.chance(0.2), draws.uniform(0, torch.pi), angle)[:, None]
    x = draws.uniform(0, width, 1) + part * torch.cos(angle)
    y = draws.uniform(0, height, 1) + part * torch.sin(angle)
    grey = torch.where(part < draws.uniform(2, 48, 1), _overlay_grey(draws, share), 0.0)
    second = torch.where(draws.chance(0.4)[:, None], grey, 0.0)
    neighbour = (x + torch.sin(angle), y + torch.cos(angle))
    return _Dots(torch.cat([x, neighbour[0]], 1), torch.cat([y, neighbour[1]], 1), torch.cat([grey, second], 1))


def _stamp(picture: Tensor, draws: Draws, share: float) -> Tensor:
    """The pictures with one mark of the bank on some of them."""
    height, width = picture.shape[2:]
    device = picture.device
    high, wide = min(MARK_HEIGHT, height), min(MARK_WIDTH, width)
    marks = load_marks(device)[..., :high, :wide]
    chosen = marks[torch.randint(len(marks), (draws.batch,), generator=draws.generator, device=device)]
    left = (_near_an_edge(draws, width) - 0.3 * wide).clamp(0, width - wide).long()
    top = (_near_an_edge(draws, height) - 0.5 * high).clamp(0, height - high).long()
    rows = top + torch.arange(high, device=device)  # (B, h)
    columns = left + torch.arange(wide, device=device)
    place = (rows[:, :, None] * width + columns[:, None, :]).flatten(1)[:, None]
    grey = chosen[:, 0].flatten(1) * draws.uniform(0.45, 1.0, 1)
    cover = chosen[:, 1].flatten(1) * draws.chance(share)[:, None]
    flat = picture.flatten(2)  # (B, F, H * W)
    place = place.expand(-1, flat.shape[1], -1)
    return flat.scatter(2, place, torch.lerp(flat.gather(2, place), grey[:, None], cover[:, None])).view_as(picture)


def _dark_box(picture: Tensor, draws: Draws, share: float) -> Tensor:
    """A black box in a corner, such as hides a name."""
    height, width = picture.shape[2:]
    wide, high = draws.uniform(10, width / 3, 1), draws.uniform(8, height / 6, 1)
    left = torch.where(draws.chance(0.5)[:, None], draws.uniform(-5, 10, 1), width - wide)
    top = torch.where(draws.chance(0.5)[:, None], 0.0, height - high)
    inside = _Boxes(left, top, wide, high).pixels(height, width)
    return torch.where(inside & per_picture(draws.chance(share)), 0.0, picture)


def _flow_box(picture: Tensor, draws: Draws, share: float) -> Tensor:
    """Patches of colour flow within a box, as they look without their colours."""
    height, width = picture.shape[2:]
    left, top = draws.uniform(0, 0.7, 1) * width, draws.uniform(0, 0.7, 1) * height
    wide, high = draws.uniform(0.15, 0.5, 1) * width, draws.uniform(0.15, 0.5, 1) * height
    inside = _Boxes(left, top, wide, high).pixels(height, width) & per_picture(draws.chance(share))
    field = functional.interpolate(draws.normal(1, 20, 20), size=(height, width), mode="bilinear", align_corners=False)
    flows = inside & (field > per_picture(draws.uniform(0.6, 1.4)))
    return torch.where(flows, (0.25 + 0.35 * field).clamp(0, 1), picture)
