"""Endless batches of labelled pictures of phantoms, rendered where they are used; no picture is ever stored."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import partial
from itertools import count

import numpy as np
import torch
from torch import Tensor

from models.device_group import ALONE, DeviceGroup
from models.targets import Labels
from synthetic.acoustics.beam_rendering import Beams, Plane, render_beams
from synthetic.acoustics.geometry import scan_convert
from synthetic.acoustics.materials import MaterialTable, load_materials
from synthetic.acoustics.physics import Physics, draw_physics
from synthetic.acoustics.plane_sections import (
    AnimalBatch,
    PlaneSections,
    follicle_contrast,
    make_labels,
    measure_visibility,
    section_animals,
)
from synthetic.acoustics.tissue import TissueNoise, make_tissue_noise
from synthetic.anatomy.animal import Animal, draw_animal
from synthetic.anatomy.bodies import Kind
from synthetic.anatomy.reproductive_state import TRAINING_MIX, draw_stage_counts
from synthetic.anatomy.species import PHANTOM_SPECIES, load_species_ranges
from synthetic.appearance.contact_gap import apply_contact_gap
from synthetic.appearance.machine_appearance import draw_appearance, postprocess, to_grey
from synthetic.errors import PhantomError
from synthetic.training.omissions import (
    PhysicsPart,
    animals_without,
    console_without,
    materials_without,
    physics_without,
)
from synthetic.training.scenes import draw_console, draw_plane, draw_scanner, draw_view

__all__ = ["PhantomPictures", "StreamSettings", "draw_animals"]


@dataclass(frozen=True)
class _PictureMix:
    """How training pictures are made. All values were chosen by trial.

    lines, samples : beams and samples per beam of a picture; enough for 256 px
    unshadowed_share : of views without bone and gas, since operators look for a place free of their shadows
    min_variation : machines are set with a care between this share of their ranges and the whole ranges
    overlay_share : of pictures with marks on them, for each kind of mark
    frame_step_mm : how far the hand moves the plane between two frames; a sweep of 140 frames along 100 mm (judgement)
    noise_reach_mm : tissue is read from a random place of the noise volume, up to this far from its origin
    """

    lines: int = 128
    samples: int = 256
    unshadowed_share: float = 0.6
    min_variation: float = 0.2
    overlay_share: float = 0.25
    frame_step_mm: float = 0.7
    noise_reach_mm: float = 1000.0


_MIX = _PictureMix()


@dataclass(frozen=True)
class StreamSettings:
    """animals : number of phantoms that the pictures show;  batch : pictures per batch;  side_px : of each picture
    processes : that draw the phantoms
    batches_per_render : batches rendered at once. A GPU spends most of its time waiting for commands: three batches
    at once take little longer than one.
    frames : 1, or 3 for the frames before and after as well, a step of the hand away
    left_out : parts of the physics that the pictures lack, see `omissions`
    """

    animals: int = 800
    batch: int = 128
    side_px: int = 256
    processes: int = 2
    batches_per_render: int = 1
    frames: int = 1
    left_out: tuple[PhysicsPart, ...] = ()


def draw_animals(number: int, seed: int, *, processes: int = 1, group: DeviceGroup = ALONE) -> list[Animal]:
    """Animals of all species. Each depends only on the seed and its place in the list; a device draws its share."""
    draw = partial(_draw_one, seed)
    indices = range(group.rank % number, number, group.size)
    processes //= group.size
    if processes <= 1:
        return [draw(index) for index in indices]
    # Spawned, not forked: a forked child of a process that uses a GPU hangs.
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(draw, indices, chunksize=8))


def _draw_one(seed: int, index: int) -> Animal:
    rng = np.random.default_rng([seed, index])
    while True:
        species = load_species_ranges(PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))])
        try:
            return draw_animal(rng, species, draw_stage_counts(rng, species, TRAINING_MIX))
        except PhantomError:
            # The clutch does not fit into this body: draw another animal. Most draws fit.
            continue


class PhantomPictures:
    """Labelled pictures of phantoms, rendered when they are asked for.

    A batch depends only on the settings, the seed, the device and its own number, so that a stopped run can continue
    with the next batch. Of several devices each renders its share of every batch, of its share of the animals, with
    random numbers of its own; as its shares are smaller, it renders those of more batches at once.
    """

    def __init__(self, settings: StreamSettings, seed: int, device: torch.device, group: DeviceGroup = ALONE) -> None:
        self._settings = replace(
            settings, batch=group.share(settings.batch), batches_per_render=settings.batches_per_render * group.size
        )
        self._seed, self._seed_key = seed, group.seed_key
        animals = draw_animals(settings.animals, seed, processes=settings.processes, group=group)
        self._animals = AnimalBatch.of(animals, device)
        self._table = load_materials().to(device)
        self._generator = torch.Generator(device).manual_seed(seed)
        self._noise = make_tissue_noise(self._generator)
        self._rendered: tuple[int, Tensor, Labels] | None = None

    def batch(self, number: int) -> tuple[Tensor, Labels]:
        """Pictures (B, frames, side, side) float32, grey in [0, 1], and their labels."""
        render_number, place = divmod(number, self._settings.batches_per_render)
        if self._rendered is None or self._rendered[0] != render_number:
            self._rendered = (render_number, *self._render(render_number))
        _, pictures, labels = self._rendered
        rows = slice(place * self._settings.batch, (place + 1) * self._settings.batch)
        return pictures[rows], Labels(*(getattr(labels, field.name)[rows] for field in fields(labels)))

    def _render(self, number: int) -> tuple[Tensor, Labels]:
        """The batches of one render, one after the other."""
        seed = [self._seed, number, *self._seed_key]
        (own_seed,) = np.random.SeedSequence(seed).generate_state(1, np.uint64)
        self._generator.manual_seed(int(own_seed))
        physics = physics_without(draw_physics(np.random.default_rng(seed)), self._settings.left_out)
        noise = replace(self._noise, model=physics.tissue)
        with torch.no_grad():
            return _render_pictures(self._settings, self._animals, self._table, self._generator, noise, physics)

    def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
        """All batches from the given number on, without end."""
        return map(self.batch, count(first))


def _render_pictures(
    settings: StreamSettings,
    animals: AnimalBatch,
    table: MaterialTable,
    generator: torch.Generator,
    noise: TissueNoise,
    physics: Physics,
) -> tuple[Tensor, Labels]:
    # The order of the random draws is part of the result: the same seed must give the same pictures.
    number, side = settings.batch * settings.batches_per_render, settings.side_px
    device = generator.device
    chosen = _mostly_unshadowed(
        animals.take(torch.randint(len(animals.kinds), (number,), generator=generator, device=device)), generator
    )
    scanner = draw_scanner(chosen, generator)
    console = console_without(draw_console(scanner, generator), settings.left_out)
    plane = draw_plane(chosen, scanner, generator)
    view = draw_view(scanner, side, generator)
    has_looks = "looks" not in settings.left_out
    variation = has_looks * (1 - (1 - _MIX.min_variation) * torch.rand(number, generator=generator, device=device))
    appearance = draw_appearance(number, generator, variation=variation)
    noise_offset = _MIX.noise_reach_mm * torch.rand(number, 3, generator=generator, device=device)
    chosen = animals_without(chosen, settings.left_out)
    materials = materials_without(table.draw(chosen.kinds, generator), console, settings.left_out)
    overlays = has_looks * _MIX.overlay_share

    def film(plane: Plane, overlays: float) -> tuple[Tensor, Tensor, Tensor, PlaneSections, Beams]:
        """Picture and loss (B, 1, side, side), grey of the beams, and what they are of."""
        sections = section_animals(chosen, materials, plane, noise_offset)
        beams = render_beams(
            sections.slice,
            plane,
            scanner,
            console,
            noise,
            generator,
            lines=_MIX.lines,
            samples=_MIX.samples,
            physics=physics,
        )
        beams = apply_contact_gap(beams, appearance.contact, generator)
        grey = to_grey(beams.echo_db, appearance)
        on_screen, sector = scan_convert(torch.stack([grey, beams.loss_db], 1), scanner, view, side, side)
        picture = postprocess(on_screen[:, :1], appearance, generator, overlays=overlays) * sector[:, None]
        return picture, on_screen[:, 1], grey, sections, beams

    picture, loss_db, grey, sections, beams = film(plane, overlays)
    visibility = measure_visibility(sections, beams, grey, scanner, view, side, side)
    snr = follicle_contrast(sections, picture[:, 0], loss_db, view)
    labels = make_labels(sections, visibility, snr, view, side, side)
    if settings.frames == 1:
        return picture, labels
    before, after = (film(_moved(plane, step), 0.0)[0] for step in (-_MIX.frame_step_mm, _MIX.frame_step_mm))
    return torch.cat([before, picture, after], 1), labels


def _moved(plane: Plane, step_mm: float) -> Plane:
    """The plane after the hand has moved it across itself."""
    return replace(plane, origin=plane.origin + step_mm * torch.linalg.cross(plane.right, plane.down))


def _mostly_unshadowed(animals: AnimalBatch, generator: torch.Generator) -> AnimalBatch:
    """The same animals, most of them without bone and gas."""
    device = generator.device
    is_clear = torch.rand(len(animals.kinds), 1, generator=generator, device=device) < _MIX.unshadowed_share
    is_shadowing = (animals.kinds == Kind.BONE) | (animals.kinds == Kind.GAS)
    return replace(animals, is_object=animals.is_object & ~(is_clear & is_shadowing))
