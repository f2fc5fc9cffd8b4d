"""One animal, one machine, one sweep: the frames of a clip with the truth of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from synthetic.acoustics import Console, Plane, render_beams
from synthetic.anatomy import Animal
from synthetic.appearance import Look, draw_look, dress, to_grey
from synthetic.geometry import Scanner, View, scan_convert
from synthetic.materials import Materials, load_materials
from synthetic.probe import Sweep
from synthetic.scenes import draw_console
from synthetic.screen import Screen, draw_screen
from synthetic.slices import Herd, cut, label
from synthetic.tissue import TissueNoise, make_noise

__all__ = ["FilmedFrame", "FilmedObject", "Machine", "Studio", "draw_machine"]

HEIGHT, WIDTH = 480, 640
LINES, SAMPLES = 160, 320
_TOGETHER = 8  # frames rendered at once: enough to share the cost, few enough to keep memory low


@dataclass(frozen=True)
class Machine:
    """A scanner as it is set for one animal; tensors have one row."""

    scanner: Scanner
    console: Console
    look: Look
    view: View
    screen: Screen

    @property
    def mm_per_px(self) -> float:
        return float(self.view.mm_per_px)


@dataclass(frozen=True)
class FilmedObject:
    """One object where a frame crosses it.

    number : its index among the animal's objects, the same in all clips
    ellipse : [cx, cy, semi-major, semi-minor, degrees] in px;  stage : 0 follicle, 1 thin-shelled, 2 calcified
    visible : share of its outline that can be seen;  wanted : False where it is mostly hidden or cut near its pole
    """

    number: int
    ellipse: tuple[float, float, float, float, float]
    stage: int
    visible: float
    wanted: bool


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
    screen = draw_screen(
        rng, HEIGHT, WIDTH, depth_mm=depth, mm_per_px=mm_per_px, face_y_px=face_y, frequency_mhz=frequency
    )
    return Machine(
        scanner,
        draw_console(scanner, generator, spread=0.5),
        draw_look(1, generator, spread=0.45),
        view,
        screen,
    )


_Settings = TypeVar("_Settings", Scanner, Console, View, Materials)


def _repeated(settings: _Settings, number: int) -> _Settings:
    """One row of settings for each of ``number`` frames."""
    return type(settings)(**{name: value.expand(number, *value.shape[1:]) for name, value in vars(settings).items()})


class Studio:
    """An animal before a machine. Its tissue and its noise stay the same in every clip."""

    def __init__(self, animal: Animal, machine: Machine, seed: int) -> None:
        self._machine = machine
        self._herd = Herd.of([animal], torch.device("cpu"))
        generator = torch.Generator().manual_seed(seed)
        self._noise: TissueNoise = make_noise(generator)
        self._materials: Materials = load_materials().draw(self._herd.kinds, generator, scatter=0.15)

    def film(self, sweep: Sweep, seed: int) -> Iterator[FilmedFrame]:
        """The clip's frames, a few rendered at a time."""
        generator = torch.Generator().manual_seed(seed)
        for start in range(0, len(sweep.origins), _TOGETHER):
            stop = min(start + _TOGETHER, len(sweep.origins))
            with torch.no_grad():
                yield from self._some(sweep, slice(start, stop), generator)

    def _some(self, sweep: Sweep, part: slice, generator: torch.Generator) -> Iterator[FilmedFrame]:
        plane = Plane(*(torch.from_numpy(v[part]).float() for v in (sweep.origins, sweep.rights, sweep.downs)))
        number = len(plane.origin)
        machine = self._machine
        scanner, console = _repeated(machine.scanner, number), _repeated(machine.console, number)
        look, view = machine.look.repeated(number), _repeated(machine.view, number)
        herd = self._herd.take(torch.zeros(number, dtype=torch.int64))
        materials = _repeated(self._materials, number)
        met = cut(herd, materials, plane, torch.zeros(number, 3), one_animal=True)
        beams = render_beams(met.slice, plane, scanner, console, self._noise, generator, lines=LINES, samples=SAMPLES)
        grey = to_grey(beams.echo_db, look)
        picture, sector = scan_convert(grey[:, None], scanner, view, HEIGHT, WIDTH)
        picture = dress(picture, look, generator) * sector[:, None]
        labels, visible = label(met, beams, grey, scanner, view, HEIGHT, WIDTH)
        pictures = (picture[:, 0] * 255).round().to(torch.uint8).numpy()
        for row, frame in enumerate(pictures):
            objects = tuple(
                FilmedObject(
                    number=int(met.index[row, k]),
                    ellipse=tuple(labels.ellipses[row, k].tolist()),
                    stage=int(labels.stage[row, k]),
                    visible=float(visible[row, k]),
                    wanted=bool(labels.role[row, k] == 1),
                )
                for k in torch.nonzero(labels.role[row])[:, 0].tolist()
            )
            yield FilmedFrame(self._machine.screen.paint(frame), objects)
