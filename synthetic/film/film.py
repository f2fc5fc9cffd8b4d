"""Frames of a clip with ground truth: one animal, one machine, one sweep."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from models.evaluation_thresholds import MIN_CONTRAST_SNR
from models.targets import Role
from synthetic.acoustics.beam_rendering import Console, Plane, render_beams
from synthetic.acoustics.geometry import Scanner, View, plane_to_beams, screen_grid
from synthetic.acoustics.materials import Materials, load_materials
from synthetic.acoustics.physics import SCATTERERS, Physics
from synthetic.acoustics.plane_sections import (
    AnimalBatch,
    follicle_contrast,
    make_labels,
    measure_visibility,
    section_animals,
    shown_objects,
)
from synthetic.acoustics.tissue import TissueNoise, make_tissue_noise
from synthetic.anatomy.animal import Animal
from synthetic.appearance.contact_gap import ContactGap, apply_contact_gap
from synthetic.appearance.machine_appearance import postprocess, to_grey
from synthetic.appearance.persistence import Persistence
from synthetic.film.machine import HEIGHT, LINES, SAMPLES, WIDTH, Machine
from synthetic.film.sweep import Sweep
from synthetic.film.tissue_motion import MovingNoise, TissueMotion

__all__ = ["ClipRenderer", "FilmedFrame", "FilmedObject"]

_MATERIAL_SCATTER = 0.15  # relative variation of the acoustic properties (judgement, no source)
_FRAMES_PER_RENDER = 4  # shares the overhead and keeps memory low
_FRAMES_PER_GPU_RENDER = 16


@dataclass(frozen=True)
class FilmedObject:
    """One object where a frame crosses it.

    number : its index among the animal's objects, the same in all clips
    ellipse : [cx, cy, semi-major, semi-minor, degrees] in px;  stage : 0 follicle, 1 thin-shelled, 2 calcified
    depth_mm : of its centre, from the probe's face along the beam
    visible : share of its outline that is not in shadow;  is_target : False if mostly hidden or cut near its pole
    shown : whether a person would say that it is there; True for all targets
    is_clear : whether nobody would overlook it: all eggs that are targets, and follicles that stand out clearly
    """

    number: int
    ellipse: tuple[float, float, float, float, float]
    stage: int
    depth_mm: float
    visible: float
    is_target: bool
    shown: bool
    is_clear: bool


@dataclass(frozen=True)
class FilmedFrame:
    """grey : (480, 640) uint8, with the machine's screen around the sector;  objects : that the plane cuts"""

    grey: NDArray[np.uint8]
    objects: tuple[FilmedObject, ...]


# Read once for all clips of a process; that takes as long as a few frames.
_material_table = cache(load_materials)

_Rows = TypeVar("_Rows", Scanner, Console, View, Materials)


def _repeated(row: _Rows, number: int) -> _Rows:
    """The one row of settings for each of ``number`` frames."""
    return type(row)(**{name: value.expand(number, *value.shape[1:]) for name, value in vars(row).items()})


_Value = TypeVar("_Value")


def _on_device(value: _Value, device: torch.device) -> _Value:
    """A dataclass with all its tensors on a device."""
    moved: dict[str, object] = {}
    for each in fields(value):  # type: ignore[arg-type]
        part = getattr(value, each.name)
        if isinstance(part, Tensor):
            moved[each.name] = part.to(device)
        elif is_dataclass(part):
            moved[each.name] = _on_device(part, device)
    return replace(value, **moved)  # type: ignore[type-var]


@dataclass(frozen=True)
class _Moments:
    """B moments of a sweep. contact : (B,) share of the probe's face that touches;  across : (B, 3) mean normal"""

    plane: Plane
    motion: TissueMotion
    contact: Tensor
    across: Tensor


def _moments(sweep: Sweep, breath: NDArray[np.float64], part: slice, device: torch.device) -> _Moments:
    columns = (sweep.origins, sweep.rights, sweep.downs, sweep.pressure_mm, sweep.contact, breath)
    origin, right, down, pressure_mm, contact, breath_mm = (
        torch.from_numpy(column[part]).float().to(device) for column in columns
    )
    plane = Plane(origin, right, down)
    across = torch.from_numpy(np.cross(sweep.rights, sweep.downs).mean(axis=0)).float().to(device).expand_as(origin)
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
    """Renders clips of one animal with one machine; the tissue is the same in all of them.

    device : "cpu" or "cuda". Animal, hand and machine are the same on both; the noise is another one.
    """

    def __init__(
        self, animal: Animal, machine: Machine, seed: int, physics: Physics = SCATTERERS, device: str = "cpu"
    ) -> None:
        self._device = torch.device(device)
        self._machine, self._physics = _on_device(machine, self._device), physics
        self._screen = screen_grid(self._machine.scanner, self._machine.view, SAMPLES, HEIGHT, WIDTH)
        self._animal = AnimalBatch.of([animal], self._device)
        generator = torch.Generator(self._device).manual_seed(seed)
        self._noise: TissueNoise = make_tissue_noise(generator, physics.tissue)
        table = _material_table().to(self._device)
        self._materials: Materials = table.draw(self._animal.kinds, generator, scatter=_MATERIAL_SCATTER)

    def render(self, sweep: Sweep, breath: NDArray[np.float64], seed: int) -> Iterator[FilmedFrame]:
        """The T frames of a clip, rendered a few at a time. breath : (T, 3) mm"""
        generator = torch.Generator(self._device).manual_seed(seed)
        persistence = Persistence(float(self._machine.appearance.density.persistence))
        at_once = _FRAMES_PER_RENDER if self._device.type == "cpu" else _FRAMES_PER_GPU_RENDER
        for start in range(0, len(breath), at_once):
            with torch.no_grad():
                moments = _moments(sweep, breath, slice(start, start + at_once), self._device)
                yield from self._render_moments(moments, persistence, generator)

    def _render_moments(
        self, moments: _Moments, persistence: Persistence, generator: torch.Generator
    ) -> Iterator[FilmedFrame]:
        plane, motion, number = moments.plane, moments.motion, len(moments.contact)
        machine = self._machine
        scanner, console = _repeated(machine.scanner, number), _repeated(machine.console, number)
        appearance, view = machine.appearance.repeated(number), _repeated(machine.view, number)
        animals = motion.moved_animals(self._animal.take(torch.zeros(number, dtype=torch.int64, device=self._device)))
        materials = _repeated(self._materials, number)
        offsets = torch.zeros(number, 3, device=self._device)
        sections = section_animals(animals, materials, plane, offsets, one_animal=True)
        noise = MovingNoise.moving(self._noise, motion, moments.across)
        beams = render_beams(
            sections.slice,
            plane,
            scanner,
            console,
            noise,
            generator,
            lines=LINES,
            samples=SAMPLES,
            physics=self._physics,
        )
        beams = apply_contact_gap(beams, _with_lost_contact(appearance.contact, moments.contact), generator)
        grey = persistence.show(to_grey(beams.echo_db, appearance))
        # All frames share one screen: as its channels they are sampled at places that are computed once.
        picture, loss_db = self._screen.draw(torch.cat([grey, beams.loss_db])[None]).transpose(0, 1).chunk(2)
        picture = postprocess(picture, appearance, generator) * self._screen.sector[:, None]
        visibility = measure_visibility(sections, beams, grey, scanner, view, HEIGHT, WIDTH)
        snr = follicle_contrast(sections, picture[:, 0], loss_db[:, 0], view)
        labels = make_labels(sections, visibility, snr, view, HEIGHT, WIDTH)
        shown = shown_objects(sections, visibility, snr, view, HEIGHT, WIDTH)
        clear = (labels.role == Role.TARGET) & (~sections.is_follicle | (snr >= MIN_CONTRAST_SNR))
        _, depth = plane_to_beams(scanner, sections.ellipses[..., 0], sections.ellipses[..., 1])
        pictures = (picture[:, 0] * 255).round().to(torch.uint8).cpu().numpy()
        labels, index = _on_device(labels, torch.device("cpu")), sections.index.cpu()
        depth, shown, clear = depth.cpu(), shown.cpu(), clear.cpu()
        for row, frame in enumerate(pictures):
            objects = tuple(
                FilmedObject(
                    number=int(index[row, k]),
                    ellipse=tuple(labels.ellipses[row, k].tolist()),
                    stage=int(labels.stage[row, k]),
                    depth_mm=float(depth[row, k]),
                    visible=float(labels.visible[row, k]),
                    is_target=bool(labels.role[row, k] == Role.TARGET),
                    shown=bool(shown[row, k]),
                    is_clear=bool(clear[row, k]),
                )
                for k in torch.nonzero(labels.role[row] != Role.EMPTY)[:, 0].tolist()
            )
            yield FilmedFrame(self._machine.screen.paint(frame), objects)
