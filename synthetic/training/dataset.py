"""Endless training batches, rendered where they are used: no picture is ever stored."""

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

from models.targets import Labels
from synthetic.acoustics.beam_rendering import render_beams
from synthetic.acoustics.geometry import scan_convert
from synthetic.acoustics.materials import MaterialTable, load_materials
from synthetic.acoustics.plane_sections import AnimalBatch, make_labels, measure_visibility, section_animals
from synthetic.acoustics.tissue import SweepNoise, TissueNoise, make_tissue_noise
from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.bodies import Kind
from synthetic.anatomy.species import PHANTOM_SPECIES, SpeciesRanges, load_species_ranges
from synthetic.appearance.contact_gap import apply_contact_gap
from synthetic.appearance.machine_appearance import draw_appearance, postprocess, to_grey
from synthetic.errors import PhantomError
from synthetic.training.neighbouring_frames import planes_nearby, repeat_per_frame
from synthetic.training.scenes import draw_console, draw_plane, draw_scanner, draw_view

__all__ = [
    "SEASONAL_MIX",
    "TRAINING_MIX",
    "PhantomPictures",
    "ReproductiveMix",
    "StreamSettings",
    "draw_animals",
    "draw_stage_counts",
]

# Beams and samples of a training picture: enough for 256 px.
LINES, SAMPLES = 128, 256
# Share of views that neither bone nor gas shadows.
UNSHADOWED_VIEW_SHARE = 0.6
# The care with which machines are set, from this variation of their looks to the whole range.
MIN_VARIATION = 0.2
# Share of the pictures with marks on them, for each kind of mark.
OVERLAY_SHARE = 0.25

# Of the pictures whose network is told the scale, this share is not told.
SCALE_DROPOUT_SHARE = 0.2


@dataclass(frozen=True)
class ReproductiveMix:
    """Whom orders are drawn for. shares : of those with calcified eggs alone, thin-shelled ones, follicles, calcified
    eggs and follicles, thin-shelled eggs and follicles; all others carry nothing.
    """

    shares: tuple[float, float, float, float, float]
    most_follicles: int


# Common practice, no source.
SEASONAL_MIX = ReproductiveMix((0.3, 0.2, 0.2, 0.11, 0.1), most_follicles=30)
# Follicles are small and many a one does not stand out, so that a picture has few to learn from.
TRAINING_MIX = ReproductiveMix((0.2, 0.14, 0.28, 0.18, 0.13), most_follicles=50)


@dataclass(frozen=True)
class StreamSettings:
    """animals : how many phantoms the pictures are cut from;  batch : pictures a batch;  side_px : of each;
    processes : that settle the phantoms;  frames : 1, or 3 neighbours of a sweep as channels, the middle one labelled;
    has_scale_channel : whether one more channel tells the scale, see :func:`scale_channel`;  batches_per_render : batches rendered at once,
    since a GPU waits for its orders and not for its arithmetic: three at once take little longer than one.
    """

    animals: int = 800
    batch: int = 128
    side_px: int = 256
    processes: int = 2
    frames: int = 1
    has_scale_channel: bool = False
    batches_per_render: int = 1


def draw_stage_counts(
    rng: np.random.Generator, profile: SpeciesRanges, mix: ReproductiveMix = SEASONAL_MIX
) -> StageCounts:
    """What a female of the species may carry: shells of one age, follicles, both, or nothing."""
    low, high = profile.clutch
    clutch = int(rng.integers(low, high + 1))
    follicles = round(float(np.exp(rng.uniform(np.log(3), np.log(mix.most_follicles)))))
    state = int(np.searchsorted(np.cumsum(mix.shares), rng.random(), side="right"))
    orders = (
        StageCounts(calcified=clutch),
        StageCounts(thin_shelled=clutch),
        StageCounts(follicles=follicles),
        StageCounts(calcified=clutch, follicles=follicles),
        StageCounts(thin_shelled=clutch, follicles=follicles),
        StageCounts(),
    )
    return orders[state]


def draw_animals(number: int, seed: int, *, processes: int = 1) -> list[Animal]:
    """Animals of all profiles; each depends on its own place in the list and the seed alone."""
    draw = partial(_draw_one, seed)
    if processes <= 1:
        return [draw(index) for index in range(number)]
    # Spawned and not forked: a forked child of a process that holds a GPU hangs.
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(draw, range(number), chunksize=8))


def _draw_one(seed: int, index: int) -> Animal:
    rng = np.random.default_rng([seed, index])
    while True:
        profile = load_species_ranges(PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))])
        try:
            return draw_animal(rng, profile, draw_stage_counts(rng, profile, TRAINING_MIX))
        except PhantomError:
            # Too much for this body: draw another. The profiles make most draws fit.
            continue


class PhantomPictures:
    """Labelled pictures of phantoms, rendered when they are asked for.

    A batch depends on the settings, the seed, the device and its own number alone: a run that was stopped goes on
    with the batch that comes next.
    """

    def __init__(self, settings: StreamSettings, seed: int, device: torch.device) -> None:
        self._settings = settings
        self._seed = seed
        self._herd = AnimalBatch.of(draw_animals(settings.animals, seed, processes=settings.processes), device)
        self._table = load_materials().to(device)
        self._generator = torch.Generator(device).manual_seed(seed)
        self._noise = make_tissue_noise(self._generator)
        self._rendered: tuple[int, Tensor, Labels] | None = None

    def batch(self, number: int) -> tuple[Tensor, Labels]:
        """(B, C, side, side) float32, C the frames and, if told, the scale; grey in [0, 1]; and the labels."""
        which, place = divmod(number, self._settings.batches_per_render)
        if self._rendered is None or self._rendered[0] != which:
            self._rendered = (which, *self._render(which))
        _, pictures, labels = self._rendered
        rows = slice(place * self._settings.batch, (place + 1) * self._settings.batch)
        return pictures[rows], Labels(*(getattr(labels, field.name)[rows] for field in fields(labels)))

    def _render(self, number: int) -> tuple[Tensor, Labels]:
        """The batches that are rendered at once."""
        (own_seed,) = np.random.SeedSequence([self._seed, number]).generate_state(1, np.uint64)
        self._generator.manual_seed(int(own_seed))
        with torch.no_grad():
            return _pictures(self._settings, self._herd, self._table, self._generator, self._noise)

    def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
        """All batches from that number on, for ever."""
        return map(self.batch, count(first))


def _pictures(
    settings: StreamSettings,
    animal_batch: AnimalBatch,
    table: MaterialTable,
    generator: torch.Generator,
    noise: TissueNoise,
) -> tuple[Tensor, Labels]:
    number, side, frames = settings.batch * settings.batches_per_render, settings.side_px, settings.frames
    device = generator.device
    chosen = _between_bones(
        animal_batch.take(torch.randint(len(animal_batch.kinds), (number,), generator=generator, device=device)),
        generator,
    )
    scanner = draw_scanner(chosen, generator)
    console = draw_console(scanner, generator)
    plane = draw_plane(chosen, scanner, generator)
    view = draw_view(scanner, side, generator)
    appearance = draw_appearance(
        number, generator, variation=1 - (1 - MIN_VARIATION) * torch.rand(number, generator=generator, device=device)
    )
    offset = 1000 * torch.rand(number, 3, generator=generator, device=device)
    materials = table.draw(chosen.kinds, generator)
    if frames > 1:
        # The same animal before the same machine, a little further along; noise and grain are drawn afresh.
        across = torch.linalg.cross(plane.right, plane.down).repeat_interleave(frames, 0)
        noise = SweepNoise.of(noise, across)
        plane = planes_nearby(plane, frames, generator)
        scanner, console = repeat_per_frame(scanner, frames), repeat_per_frame(console, frames)
        view, appearance = repeat_per_frame(view, frames), appearance.repeated(frames)
        chosen, materials = repeat_per_frame(chosen, frames), repeat_per_frame(materials, frames)
        offset = offset.repeat_interleave(frames, 0)
    met = section_animals(chosen, materials, plane, offset)
    beams = render_beams(met.slice, plane, scanner, console, noise, generator, lines=LINES, samples=SAMPLES)
    beams = apply_contact_gap(beams, appearance.contact, generator)
    grey = to_grey(beams.echo_db, appearance)
    picture, sector = scan_convert(grey[:, None], scanner, view, side, side)
    picture = postprocess(picture, appearance, generator, overlays=OVERLAY_SHARE, frames=frames) * sector[:, None]
    labels = make_labels(met, measure_visibility(met, beams, grey, scanner, view, side, side), view, side, side)
    picture, labels = picture.view(number, frames, side, side), _of_middle_frame(labels, frames)
    if settings.has_scale_channel:
        picture = torch.cat([picture, scale_channel(labels.mm_per_px, side, generator)], 1)
    return picture, labels


def _between_bones(animal_batch: AnimalBatch, generator: torch.Generator) -> AnimalBatch:
    """The same animals, most of them without bone and gas: a hand looks for a place that these do not shadow."""
    device = generator.device
    clear = torch.rand(len(animal_batch.kinds), 1, generator=generator, device=device) < UNSHADOWED_VIEW_SHARE
    shadowing = (animal_batch.kinds == Kind.BONE) | (animal_batch.kinds == Kind.GAS)
    return replace(animal_batch, is_object=animal_batch.is_object & ~(clear & shadowing))


def scale_channel(mm_per_px: Tensor, side_px: int, generator: torch.Generator) -> Tensor:
    """(B, 1, side, side) the logarithm of the pictures' scale (B,), or 0 where it is not told."""
    told = torch.rand(len(mm_per_px), generator=generator, device=mm_per_px.device) >= SCALE_DROPOUT_SHARE
    return (told * torch.log(mm_per_px))[:, None, None, None].expand(-1, 1, side_px, side_px)


def _of_middle_frame(labels: Labels, frames: int) -> Labels:
    """Of labels (B * frames, ...) those of each sweep's middle frame."""
    return Labels(*(getattr(labels, field.name)[frames // 2 :: frames] for field in fields(labels)))
