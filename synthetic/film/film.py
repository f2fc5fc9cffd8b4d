"""Frames of a clip with ground truth: one animal, one machine, one sweep."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from models.targets import Role
from synthetic.acoustics.beam_rendering import Console, Plane, render_beams
from synthetic.acoustics.geometry import Scanner, View, plane_to_beams, screen_grid
from synthetic.acoustics.materials import Materials, load_materials
from synthetic.acoustics.plane_sections import (
    AnimalBatch,
    make_labels,
    measure_visibility,
    section_animals,
    shown_objects,
)
from synthetic.acoustics.tissue import TissueNoise, make_tissue_noise
from synthetic.anatomy.animal import Animal
from synthetic.appearance.contact_gap import ContactGap, apply_contact_gap
from synthetic.appearance.machine_appearance import Appearance, draw_appearance, postprocess, to_grey
from synthetic.appearance.persistence import Persistence
from synthetic.film.screen import Screen, draw_screen
from synthetic.film.sweep import Sweep
from synthetic.film.tissue_motion import MovingNoise, TissueMotion
from synthetic.training.scenes import draw_console

__all__ = ["ClipRenderer", "FilmedFrame", "FilmedObject", "Machine", "draw_machine"]

HEIGHT, WIDTH = 480, 640  # px of the screen
LINES, SAMPLES = 160, 320  # beams, and samples per beam
_FRAMES_PER_RENDER = 4  # shares the overhead and keeps memory low


@dataclass(frozen=True)
class _MachineRanges:
    """The machines of clips, which are set with care. Judgement, no source; pairs are from, to.

    microconvex_share : the other probes are convex;  radius_mm, half_angle_deg : of microconvex and of convex probes
    depth_by_width : depth as a share of the animal's width, within depth_mm;  frequency_mhz : at 90 mm depth, times
    90 / depth, within frequency_limits_mhz
    console_variation, appearance_variation : shares of the ranges of settings, see appearance.random_settings.Draws
    material_scatter : relative variation of the acoustic properties
    """

    microconvex_share: float = 0.4
    microconvex_radius_mm: tuple[float, float] = (12, 22)
    convex_radius_mm: tuple[float, float] = (40, 60)
    microconvex_half_angle_deg: tuple[float, float] = (36, 50)
    convex_half_angle_deg: tuple[float, float] = (28, 36)
    depth_by_width: tuple[float, float] = (0.52, 0.72)
    depth_mm: tuple[float, float] = (45, 160)
    frequency_mhz: tuple[float, float] = (4.5, 7.5)
    frequency_limits_mhz: tuple[float, float] = (3.5, 10)
    console_variation: float = 0.5
    appearance_variation: float = 0.45
    material_scatter: float = 0.15


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


@dataclass(frozen=True)
class FilmedObject:
    """One object where a frame crosses it.

    number : its index among the animal's objects, the same in all clips
    ellipse : [cx, cy, semi-major, semi-minor, degrees] in px;  stage : 0 follicle, 1 thin-shelled, 2 calcified
    depth_mm : of its centre, from the probe's face along the beam
    visible : share of its outline that is not in shadow;  is_target : False if mostly hidden or cut near its pole
    shown : whether a person would say that it is there; True for all targets
    """

    number: int
    ellipse: tuple[float, float, float, float, float]
    stage: int
    depth_mm: float
    visible: float
    is_target: bool
    shown: bool


@dataclass(frozen=True)
class FilmedFrame:
    """grey : (480, 640) uint8, with the machine's screen around the sector;  objects : that the plane cuts"""

    grey: NDArray[np.uint8]
    objects: tuple[FilmedObject, ...]


def draw_machine(rng: np.random.Generator, animal: Animal) -> Machine:
    """A convex or microconvex scanner, set with care, that shows more than half of the animal's width."""
    generator = torch.Generator().manual_seed(int(rng.integers(2**62)))
    ranges = _RANGES
    is_micro = rng.random() < ranges.microconvex_share
    depth = float(np.clip(animal.width_mm * rng.uniform(*ranges.depth_by_width), *ranges.depth_mm))
    radius = rng.uniform(*(ranges.microconvex_radius_mm if is_micro else ranges.convex_radius_mm))
    half_angle_deg = ranges.microconvex_half_angle_deg if is_micro else ranges.convex_half_angle_deg
    half_angle = np.deg2rad(rng.uniform(*half_angle_deg))
    frequency = float(np.clip(rng.uniform(*ranges.frequency_mhz) * 90 / depth, *ranges.frequency_limits_mhz))

    def row(value: float) -> Tensor:
        return torch.tensor([value], dtype=torch.float32)

    scanner = Scanner(row(radius), row(half_angle), row(depth), row(frequency))
    half_width = (radius + depth) * np.sin(half_angle)
    sag = radius * (1 - np.cos(half_angle))
    mm_per_px = max(2 * half_width / (0.9 * WIDTH), (depth + sag) / (0.92 * HEIGHT))
    face_y = 0.04 * HEIGHT + sag / mm_per_px
    view = View(row(mm_per_px), row(WIDTH / 2 + rng.uniform(-4, 4)), row(face_y))
    sector = screen_grid(scanner, view, SAMPLES, HEIGHT, WIDTH).sector[0].numpy()
    screen = draw_screen(rng, sector, scanner, view)
    return Machine(
        scanner,
        draw_console(scanner, generator, variation=ranges.console_variation),
        draw_appearance(1, generator, variation=ranges.appearance_variation),
        view,
        screen,
    )


_Rows = TypeVar("_Rows", Scanner, Console, View, Materials)


def _repeated(row: _Rows, number: int) -> _Rows:
    """The one row of settings for each of ``number`` frames."""
    return type(row)(**{name: value.expand(number, *value.shape[1:]) for name, value in vars(row).items()})


@dataclass(frozen=True)
class _Moments:
    """B moments of a sweep. contact : (B,) share of the probe's face that touches;  across : (B, 3) mean normal"""

    plane: Plane
    motion: TissueMotion
    contact: Tensor
    across: Tensor


def _moments(sweep: Sweep, breath: NDArray[np.float64], part: slice) -> _Moments:
    columns = (sweep.origins, sweep.rights, sweep.downs, sweep.pressure_mm, sweep.contact, breath)
    origin, right, down, pressure_mm, contact, breath_mm = (
        torch.from_numpy(column[part]).float() for column in columns
    )
    plane = Plane(origin, right, down)
    across = torch.from_numpy(np.cross(sweep.rights, sweep.downs).mean(axis=0)).float().expand_as(origin)
    return _Moments(plane, TissueMotion.of(plane, pressure_mm, breath_mm), contact, functional.normalize(across, dim=1))


def _with_lost_contact(gap: ContactGap, contact: Tensor) -> ContactGap:
    """The gap of a face of which a share (B,) touches the skin: the last lines lose contact first."""
    is_lost = contact < 1
    return replace(
        gap,
        gap=torch.where(is_lost, 2 * (1 - contact), gap.gap),
        middle=torch.where(is_lost, 1.0, gap.middle),
    )


class ClipRenderer:
    """Renders clips of one animal with one machine; the tissue is the same in all of them."""

    def __init__(self, animal: Animal, machine: Machine, seed: int) -> None:
        self._machine = machine
        self._screen = screen_grid(machine.scanner, machine.view, SAMPLES, HEIGHT, WIDTH)
        self._animal = AnimalBatch.of([animal], torch.device("cpu"))
        generator = torch.Generator().manual_seed(seed)
        self._noise: TissueNoise = make_tissue_noise(generator)
        self._materials: Materials = load_materials().draw(
            self._animal.kinds, generator, scatter=_RANGES.material_scatter
        )

    def render(self, sweep: Sweep, breath: NDArray[np.float64], seed: int) -> Iterator[FilmedFrame]:
        """The T frames of a clip, rendered a few at a time. breath : (T, 3) mm"""
        generator = torch.Generator().manual_seed(seed)
        persistence = Persistence(float(self._machine.appearance.density.persistence))
        for start in range(0, len(breath), _FRAMES_PER_RENDER):
            with torch.no_grad():
                moments = _moments(sweep, breath, slice(start, start + _FRAMES_PER_RENDER))
                yield from self._render_moments(moments, persistence, generator)

    def _render_moments(
        self, moments: _Moments, persistence: Persistence, generator: torch.Generator
    ) -> Iterator[FilmedFrame]:
        plane, motion, number = moments.plane, moments.motion, len(moments.contact)
        machine = self._machine
        scanner, console = _repeated(machine.scanner, number), _repeated(machine.console, number)
        appearance, view = machine.appearance.repeated(number), _repeated(machine.view, number)
        animals = motion.moved_animals(self._animal.take(torch.zeros(number, dtype=torch.int64)))
        materials = _repeated(self._materials, number)
        sections = section_animals(animals, materials, plane, torch.zeros(number, 3), one_animal=True)
        noise = MovingNoise.moving(self._noise, motion, moments.across)
        beams = render_beams(sections.slice, plane, scanner, console, noise, generator, lines=LINES, samples=SAMPLES)
        beams = apply_contact_gap(beams, _with_lost_contact(appearance.contact, moments.contact), generator)
        grey = persistence.show(to_grey(beams.echo_db, appearance))
        # All frames share one screen: as its channels they are sampled at places that are computed once.
        picture = self._screen.draw(grey[None]).transpose(0, 1)
        picture = postprocess(picture, appearance, generator) * self._screen.sector[:, None]
        visibility = measure_visibility(sections, beams, grey, scanner, view, HEIGHT, WIDTH)
        labels = make_labels(sections, visibility, view, HEIGHT, WIDTH)
        shown = shown_objects(sections, visibility, view, HEIGHT, WIDTH)
        _, depth = plane_to_beams(scanner, sections.ellipses[..., 0], sections.ellipses[..., 1])
        pictures = (picture[:, 0] * 255).round().to(torch.uint8).numpy()
        for row, frame in enumerate(pictures):
            objects = tuple(
                FilmedObject(
                    number=int(sections.index[row, k]),
                    ellipse=tuple(labels.ellipses[row, k].tolist()),
                    stage=int(labels.stage[row, k]),
                    depth_mm=float(depth[row, k]),
                    visible=float(labels.visible[row, k]),
                    is_target=bool(labels.role[row, k] == Role.TARGET),
                    shown=bool(shown[row, k]),
                )
                for k in torch.nonzero(labels.role[row] != Role.EMPTY)[:, 0].tolist()
            )
            yield FilmedFrame(self._machine.screen.paint(frame), objects)
