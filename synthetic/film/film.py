"""One animal, one machine, one sweep: the frames of a clip with the truth of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

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
from synthetic.film.hand import Sweep
from synthetic.film.screen import Screen, draw_screen
from synthetic.film.tissue_motion import MovingNoise, TissueMotion
from synthetic.training.scenes import draw_console

__all__ = ["ClipRenderer", "FilmedFrame", "FilmedObject", "Machine", "draw_machine"]

HEIGHT, WIDTH = 480, 640
LINES, SAMPLES = 160, 320
_TOGETHER = 4  # frames rendered at once: enough to share the cost, few enough to keep memory low


@dataclass(frozen=True)
class Machine:
    """A scanner as it is set for one animal; tensors have one row."""

    scanner: Scanner
    console: Console
    appearance: Appearance
    view: View
    screen: Screen

    @property
    def mm_per_px(self) -> float:
        return float(self.view.mm_per_px)

    def with_grey_map_knots(self, greys: Sequence[float]) -> Machine:
        """The same with another grey map; see GreyMap's knots."""
        grey_map = replace(self.appearance.grey_map, knots=torch.tensor([greys], dtype=torch.float32))
        return replace(self, appearance=replace(self.appearance, grey_map=grey_map))


@dataclass(frozen=True)
class FilmedObject:
    """One object where a frame crosses it.

    number : its index among the animal's objects, the same in all clips
    ellipse : [cx, cy, semi-major, semi-minor, degrees] in px;  stage : 0 follicle, 1 thin-shelled, 2 calcified
    depth_mm : of its middle, from the probe's face along the beam
    visible : share of its outline that is lit;  is_target : False where it is mostly hidden or cut near its pole
    shown : whether a person would say that it is there; what is wanted is
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
    """grey : (480, 640) uint8, with the machine's screen around the sector;  objects : what the plane crosses."""

    grey: NDArray[np.uint8]
    objects: tuple[FilmedObject, ...]


def draw_machine(rng: np.random.Generator, animal: Animal) -> Machine:
    """A convex or microconvex scanner, set with care, that sees a good half across the animal."""
    generator = torch.Generator().manual_seed(int(rng.integers(2**62)))
    micro = rng.random() < 0.4
    depth = float(np.clip(animal.width_mm * rng.uniform(0.52, 0.72), 45, 160))
    radius = rng.uniform(12, 22) if micro else rng.uniform(40, 60)
    half_angle = np.deg2rad(rng.uniform(36, 50) if micro else rng.uniform(28, 36))
    frequency = float(np.clip(rng.uniform(4.5, 7.5) * 90 / depth, 3.5, 10))

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
        draw_console(scanner, generator, variation=0.5),
        draw_appearance(1, generator, variation=0.45),
        view,
        screen,
    )


_Settings = TypeVar("_Settings", Scanner, Console, View, Materials)


def _repeated(settings: _Settings, number: int) -> _Settings:
    """One row of settings for each of ``number`` frames."""
    return type(settings)(**{name: value.expand(number, *value.shape[1:]) for name, value in vars(settings).items()})


@dataclass(frozen=True)
class _Moments:
    """Some B moments of a sweep. touching (B,) : share of the probe's face;  across (B, 3) : their mean normal"""

    plane: Plane
    motion: TissueMotion
    touching: Tensor
    across: Tensor


def _moments(sweep: Sweep, breath: NDArray[np.float64], part: slice) -> _Moments:
    columns = (sweep.origins, sweep.rights, sweep.downs, sweep.pressure_mm, sweep.contact, breath)
    origin, right, down, pressure_mm, touching, breathed = (
        torch.from_numpy(column[part]).float() for column in columns
    )
    plane = Plane(origin, right, down)
    across = torch.from_numpy(np.cross(sweep.rights, sweep.downs).mean(axis=0)).float().expand_as(origin)
    return _Moments(plane, TissueMotion.of(plane, pressure_mm, breathed), touching, functional.normalize(across, dim=1))


def _parted(contact: ContactGap, touching: Tensor) -> ContactGap:
    """Of a face of which only a share (B,) is ``touching``: it parts from the skin at its last lines first."""
    parted = touching < 1
    return replace(
        contact,
        gap=torch.where(parted, 2 * (1 - touching), contact.gap),
        middle=torch.where(parted, 1.0, contact.middle),
    )


class ClipRenderer:
    """An animal before a machine. Its tissue and its noise stay the same in every clip."""

    def __init__(self, animal: Animal, machine: Machine, seed: int) -> None:
        self._machine = machine
        self._screen = screen_grid(machine.scanner, machine.view, SAMPLES, HEIGHT, WIDTH)
        self._herd = AnimalBatch.of([animal], torch.device("cpu"))
        generator = torch.Generator().manual_seed(seed)
        self._noise: TissueNoise = make_tissue_noise(generator)
        self._materials: Materials = load_materials().draw(self._herd.kinds, generator, scatter=0.15)

    def render(self, sweep: Sweep, breath: NDArray[np.float64], seed: int) -> Iterator[FilmedFrame]:
        """The clip's T frames, a few rendered at a time, of an animal whose breath is at (T, 3) mm."""
        generator = torch.Generator().manual_seed(seed)
        persistence = Persistence(float(self._machine.appearance.density.persistence))
        for start in range(0, len(breath), _TOGETHER):
            with torch.no_grad():
                moments = _moments(sweep, breath, slice(start, start + _TOGETHER))
                yield from self._some(moments, persistence, generator)

    def _some(self, moments: _Moments, persistence: Persistence, generator: torch.Generator) -> Iterator[FilmedFrame]:
        plane, motion, number = moments.plane, moments.motion, len(moments.touching)
        machine = self._machine
        scanner, console = _repeated(machine.scanner, number), _repeated(machine.console, number)
        appearance, view = machine.appearance.repeated(number), _repeated(machine.view, number)
        animal_batch = motion.moved_animals(self._herd.take(torch.zeros(number, dtype=torch.int64)))
        materials = _repeated(self._materials, number)
        met = section_animals(animal_batch, materials, plane, torch.zeros(number, 3), one_animal=True)
        noise = MovingNoise.moving(self._noise, motion, moments.across)
        beams = render_beams(met.slice, plane, scanner, console, noise, generator, lines=LINES, samples=SAMPLES)
        beams = apply_contact_gap(beams, _parted(appearance.contact, moments.touching), generator)
        grey = persistence.show(to_grey(beams.echo_db, appearance))
        # All frames lie on the one screen: as its channels, they are read at places that are worked out once.
        picture = self._screen.draw(grey[None]).transpose(0, 1)
        picture = postprocess(picture, appearance, generator) * self._screen.sector[:, None]
        seen = measure_visibility(met, beams, grey, scanner, view, HEIGHT, WIDTH)
        labels = make_labels(met, seen, view, HEIGHT, WIDTH)
        shown = shown_objects(met, seen, view, HEIGHT, WIDTH)
        _, depth = plane_to_beams(scanner, met.ellipses[..., 0], met.ellipses[..., 1])
        pictures = (picture[:, 0] * 255).round().to(torch.uint8).numpy()
        for row, frame in enumerate(pictures):
            objects = tuple(
                FilmedObject(
                    number=int(met.index[row, k]),
                    ellipse=tuple(labels.ellipses[row, k].tolist()),
                    stage=int(labels.stage[row, k]),
                    depth_mm=float(depth[row, k]),
                    visible=float(labels.visible[row, k]),
                    is_target=bool(labels.role[row, k] == 1),
                    shown=bool(shown[row, k]),
                )
                for k in torch.nonzero(labels.role[row])[:, 0].tolist()
            )
            yield FilmedFrame(self._machine.screen.paint(frame), objects)
