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
from synthetic.acoustics.acoustics import render_beams
from synthetic.acoustics.geometry import scan_convert
from synthetic.acoustics.materials import MaterialTable, load_materials
from synthetic.acoustics.slices import Herd, cut, label, survey
from synthetic.acoustics.tissue import SweptNoise, TissueNoise, make_noise
from synthetic.anatomy.anatomy import Animal, Order, draw_animal
from synthetic.anatomy.bodies import Kind
from synthetic.anatomy.species import PROFILES, SpeciesRanges, load_profile
from synthetic.appearance.appearance import draw_look, dress, to_grey
from synthetic.appearance.contact import lose_contact
from synthetic.errors import PhantomError
from synthetic.training.neighbours import for_each_frame, planes_nearby
from synthetic.training.scenes import draw_console, draw_plane, draw_scanner, draw_view

__all__ = ["IN_SEASON", "TO_LEARN_FROM", "Females", "PhantomPictures", "StreamSettings", "draw_animals", "draw_order"]

# Beams and samples of a training picture: enough for 256 px.
LINES, SAMPLES = 128, 256
# Share of views that neither bone nor gas shadows.
CLEAR_VIEWS = 0.6
# The care with which machines are set, from this spread of their looks to the whole range.
LEAST_SPREAD = 0.2
# Share of the pictures with marks on them, for each kind of mark.
OVERLAYS = 0.25

# Of the pictures whose network is told the scale, this share is not told.
UNTOLD = 0.2


@dataclass(frozen=True)
class Females:
    """Whom orders are drawn for. shares : of those with calcified eggs alone, thin-shelled ones, follicles, calcified
    eggs and follicles, thin-shelled eggs and follicles; all others carry nothing.
    """

    shares: tuple[float, float, float, float, float]
    most_follicles: int


# Common practice, no source.
IN_SEASON = Females((0.3, 0.2, 0.2, 0.11, 0.1), most_follicles=30)
# Follicles are small and many a one does not stand out, so that a picture has few to learn from.
TO_LEARN_FROM = Females((0.2, 0.14, 0.28, 0.18, 0.13), most_follicles=50)


@dataclass(frozen=True)
class StreamSettings:
    """animals : how many phantoms the pictures are cut from;  batch : pictures a batch;  side_px : of each;
    processes : that settle the phantoms;  frames : 1, or 3 neighbours of a sweep as channels, the middle one labelled;
    told_scale : whether one more channel tells the scale, see :func:`tell_scale`;  together : batches rendered at once,
    since a GPU waits for its orders and not for its arithmetic: three at once take little longer than one.
    """

    animals: int = 800
    batch: int = 128
    side_px: int = 256
    processes: int = 2
    frames: int = 1
    told_scale: bool = False
    together: int = 1


def draw_order(rng: np.random.Generator, profile: SpeciesRanges, females: Females = IN_SEASON) -> Order:
    """What a female of the species may carry: shells of one age, follicles, both, or nothing."""
    low, high = profile.clutch
    clutch = int(rng.integers(low, high + 1))
    follicles = round(float(np.exp(rng.uniform(np.log(3), np.log(females.most_follicles)))))
    state = int(np.searchsorted(np.cumsum(females.shares), rng.random(), side="right"))
    orders = (
        Order(calcified=clutch),
        Order(thin_shelled=clutch),
        Order(follicles=follicles),
        Order(calcified=clutch, follicles=follicles),
        Order(thin_shelled=clutch, follicles=follicles),
        Order(),
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
        profile = load_profile(PROFILES[int(rng.integers(len(PROFILES)))])
        try:
            return draw_animal(rng, profile, draw_order(rng, profile, TO_LEARN_FROM))
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
        self._herd = Herd.of(draw_animals(settings.animals, seed, processes=settings.processes), device)
        self._table = load_materials().to(device)
        self._generator = torch.Generator(device).manual_seed(seed)
        self._noise = make_noise(self._generator)
        self._rendered: tuple[int, Tensor, Labels] | None = None

    def batch(self, number: int) -> tuple[Tensor, Labels]:
        """(B, C, side, side) float32, C the frames and, if told, the scale; grey in [0, 1]; and the labels."""
        which, place = divmod(number, self._settings.together)
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
    settings: StreamSettings, herd: Herd, table: MaterialTable, generator: torch.Generator, noise: TissueNoise
) -> tuple[Tensor, Labels]:
    number, side, frames = settings.batch * settings.together, settings.side_px, settings.frames
    device = generator.device
    chosen = _between_bones(
        herd.take(torch.randint(len(herd.kinds), (number,), generator=generator, device=device)), generator
    )
    scanner = draw_scanner(chosen, generator)
    console = draw_console(scanner, generator)
    plane = draw_plane(chosen, scanner, generator)
    view = draw_view(scanner, side, generator)
    look = draw_look(
        number, generator, spread=1 - (1 - LEAST_SPREAD) * torch.rand(number, generator=generator, device=device)
    )
    offset = 1000 * torch.rand(number, 3, generator=generator, device=device)
    materials = table.draw(chosen.kinds, generator)
    if frames > 1:
        # The same animal before the same machine, a little further along; noise and grain are drawn afresh.
        across = torch.linalg.cross(plane.right, plane.down).repeat_interleave(frames, 0)
        noise = SweptNoise.of(noise, across)
        plane = planes_nearby(plane, frames, generator)
        scanner, console = for_each_frame(scanner, frames), for_each_frame(console, frames)
        view, look = for_each_frame(view, frames), look.repeated(frames)
        chosen, materials = for_each_frame(chosen, frames), for_each_frame(materials, frames)
        offset = offset.repeat_interleave(frames, 0)
    met = cut(chosen, materials, plane, offset)
    beams = render_beams(met.slice, plane, scanner, console, noise, generator, lines=LINES, samples=SAMPLES)
    beams = lose_contact(beams, look.contact, generator)
    grey = to_grey(beams.echo_db, look)
    picture, sector = scan_convert(grey[:, None], scanner, view, side, side)
    picture = dress(picture, look, generator, overlays=OVERLAYS, frames=frames) * sector[:, None]
    labels = label(met, survey(met, beams, grey, scanner, view, side, side), view, side, side)
    picture, labels = picture.view(number, frames, side, side), _of_middle_frame(labels, frames)
    if settings.told_scale:
        picture = torch.cat([picture, tell_scale(labels.mm_per_px, side, generator)], 1)
    return picture, labels


def _between_bones(herd: Herd, generator: torch.Generator) -> Herd:
    """The same animals, most of them without bone and gas: a hand looks for a place that these do not shadow."""
    device = generator.device
    clear = torch.rand(len(herd.kinds), 1, generator=generator, device=device) < CLEAR_VIEWS
    shadowing = (herd.kinds == Kind.BONE) | (herd.kinds == Kind.GAS)
    return replace(herd, real=herd.real & ~(clear & shadowing))


def tell_scale(mm_per_px: Tensor, side_px: int, generator: torch.Generator) -> Tensor:
    """(B, 1, side, side) the logarithm of the pictures' scale (B,), or 0 where it is not told."""
    told = torch.rand(len(mm_per_px), generator=generator, device=mm_per_px.device) >= UNTOLD
    return (told * torch.log(mm_per_px))[:, None, None, None].expand(-1, 1, side_px, side_px)


def _of_middle_frame(labels: Labels, frames: int) -> Labels:
    """Of labels (B * frames, ...) those of each sweep's middle frame."""
    return Labels(*(getattr(labels, field.name)[frames // 2 :: frames] for field in fields(labels)))
