"""The machines of clips: scanner, settings, the place of the sector on the screen, and the screen around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from synthetic.acoustics.console import Console
from synthetic.acoustics.geometry import LINEAR_RADIUS_MM, Scanner, View, screen_grid
from synthetic.anatomy.animal import Animal
from synthetic.appearance.machine_appearance import Appearance, draw_appearance
from synthetic.film.panel_screen import PANEL_PX, draw_panel_screen
from synthetic.film.screen import draw_screen
from synthetic.film.screen_canvas import Screen
from synthetic.film.world import ScreenFamily
from synthetic.training.scenes import draw_console

__all__ = ["CAREFUL", "HEIGHT", "LINES", "SAMPLES", "WIDTH", "Machine", "Variation", "draw_machine", "draw_variation"]

HEIGHT, WIDTH = 480, 640  # px of the screen
LINES, SAMPLES = 160, 320  # beams, and samples per beam

Range = tuple[float, float]


@dataclass(frozen=True)
class Variation:
    """Shares of the ranges of settings that machines are drawn from, see appearance.random_settings.Draws."""

    console: float
    appearance: float


CAREFUL = Variation(console=0.5, appearance=0.45)  # machines that are set with care (judgement, no source)


def draw_variation(rng: np.random.Generator) -> Variation:
    """As in training: consoles of the whole ranges, appearances of a fifth of them to all."""
    return Variation(console=1.0, appearance=float(rng.uniform(0.2, 1.0)))


@dataclass(frozen=True)
class _MachineRanges:
    """Judgement, no source; pairs are from, to.

    microconvex_share, linear_share : of the probes of each family of screens; the others are convex, or very wide
    radius_mm, half_angle_deg : of each kind of probe;  linear_width_mm : of a flat face
    depth_by_width : depth as a share of the animal's width, within depth_mm, and at most depth_by_linear_width times
    the width of a flat face;  frequency_mhz : at 90 mm depth, times 90 / depth, within frequency_limits_mhz
    knots_exponent : of a panel's grey map;  persistence, levels : shares of panels that have some, and how much
    """

    microconvex_share: float = 0.4
    microconvex_radius_mm: Range = (12, 22)
    microconvex_half_angle_deg: Range = (36, 50)
    convex_radius_mm: Range = (40, 60)
    convex_half_angle_deg: Range = (28, 36)
    linear_share: float = 0.35
    linear_width_mm: Range = (38, 60)
    wide_radius_mm: Range = (8, 12)
    wide_half_angle_deg: Range = (50, 60)
    depth_by_width: Range = (0.52, 0.72)
    depth_mm: Range = (45, 160)
    depth_by_linear_width: float = 2.2
    frequency_mhz: Range = (4.5, 7.5)
    frequency_limits_mhz: Range = (3.5, 10)
    knots_exponent: Range = (0.7, 1.3)
    persistence_share: float = 0.7
    persistence: Range = (0.2, 0.6)
    levels_share: float = 0.25
    levels: Range = (24, 64)


_RANGES = _MachineRanges()


@dataclass(frozen=True)
class Machine:
    """A scanner with its settings for one animal; tensors have one row."""

    scanner: Scanner
    console: Console
    appearance: Appearance
    view: View
    screen: Screen

    @property
    def mm_per_px(self) -> float:
        return float(self.view.mm_per_px)

    def with_grey_map_knots(self, greys: Sequence[float]) -> Machine:
        """The same machine with other knots of the grey map, see GreyMap."""
        grey_map = replace(self.appearance.grey_map, knots=torch.tensor([greys], dtype=torch.float32))
        return replace(self, appearance=replace(self.appearance, grey_map=grey_map))


def draw_machine(
    rng: np.random.Generator, animal: Animal, screen: ScreenFamily = "scattered", variation: Variation = CAREFUL
) -> Machine:
    """A machine that shows more than half of the animal's width, except on some flat faces."""
    generator = torch.Generator().manual_seed(int(rng.integers(2**62)))
    scanner = _draw_scanner(rng, animal, screen)
    view = _draw_view(rng, scanner, screen)
    sector = screen_grid(scanner, view, SAMPLES, HEIGHT, WIDTH).sector[0].numpy()
    draw = draw_screen if screen == "scattered" else draw_panel_screen
    graphics = draw(rng, sector, scanner, view)
    console = draw_console(scanner, generator, variation=variation.console)
    appearance = draw_appearance(1, generator, variation=variation.appearance)
    if screen == "panel":
        appearance = _on_panel(rng, appearance)
    return Machine(scanner, console, appearance, view, graphics)


def _draw_scanner(rng: np.random.Generator, animal: Animal, screen: ScreenFamily) -> Scanner:
    """Convex and microconvex probes, or flat and very wide ones."""
    ranges = _RANGES
    is_first = rng.random() < (ranges.microconvex_share if screen == "scattered" else ranges.linear_share)
    depth = float(np.clip(animal.width_mm * rng.uniform(*ranges.depth_by_width), *ranges.depth_mm))
    if screen == "panel" and is_first:
        width = rng.uniform(*ranges.linear_width_mm)
        radius, half_angle = LINEAR_RADIUS_MM, width / 2 / LINEAR_RADIUS_MM
        depth = min(depth, ranges.depth_by_linear_width * width)
    else:
        radii, half_angles = {
            ("scattered", True): (ranges.microconvex_radius_mm, ranges.microconvex_half_angle_deg),
            ("scattered", False): (ranges.convex_radius_mm, ranges.convex_half_angle_deg),
            ("panel", False): (ranges.wide_radius_mm, ranges.wide_half_angle_deg),
        }[screen, is_first]
        radius, half_angle = rng.uniform(*radii), np.deg2rad(rng.uniform(*half_angles))
    frequency = float(np.clip(rng.uniform(*ranges.frequency_mhz) * 90 / depth, *ranges.frequency_limits_mhz))
    return Scanner(*(_row(value) for value in (radius, half_angle, depth, frequency)))


def _draw_view(rng: np.random.Generator, scanner: Scanner, screen: ScreenFamily) -> View:
    """The sector as large as there is room: in the middle of the screen, or beside the panel."""
    radius, half_angle, depth = (
        float(value) for value in (scanner.radius_mm, scanner.half_angle_rad, scanner.depth_mm)
    )
    left = 0 if screen == "scattered" else PANEL_PX
    half_width = (radius + depth) * np.sin(half_angle)
    sag = radius * (1 - np.cos(half_angle))
    mm_per_px = max(2 * half_width / (0.9 * (WIDTH - left)), (depth + sag) / (0.92 * HEIGHT))
    face_x = (left + WIDTH) / 2 + rng.uniform(-4, 4)
    return View(_row(mm_per_px), _row(face_x), _row(0.04 * HEIGHT + sag / mm_per_px))


def _on_panel(rng: np.random.Generator, appearance: Appearance) -> Appearance:
    """The appearance with the grey map, the persistence and the few greys of a machine with a panel."""
    ranges = _RANGES
    knots = torch.linspace(0, 1, appearance.grey_map.knots.shape[1])[None] ** rng.uniform(*ranges.knots_exponent)
    persistence = rng.uniform(*ranges.persistence) * (rng.random() < ranges.persistence_share)
    levels = rng.uniform(*ranges.levels) * (rng.random() < ranges.levels_share)
    return replace(
        appearance,
        density=replace(appearance.density, persistence=_row(persistence)),
        grey_map=replace(appearance.grey_map, knots=knots).usable(),
        compression=replace(appearance.compression, levels=_row(levels)),
    )


def _row(value: float) -> Tensor:
    return torch.tensor([value], dtype=torch.float32)
