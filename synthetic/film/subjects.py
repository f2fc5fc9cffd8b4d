"""The animals to be filmed, and the clips planned of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from synthetic.anatomy.animal import StageCounts
from synthetic.anatomy.reproductive_state import draw_stage_counts
from synthetic.anatomy.species import PHANTOM_SPECIES, SpeciesRanges, load_species_ranges
from synthetic.errors import PhantomError
from synthetic.film.fanning_hand import MAX_PASS_FRAMES, MIN_PASS_FRAMES, Fanning
from synthetic.film.hand import PLAIN_HAND, Hand, HandFamily, draw_hand
from synthetic.film.machine import CAREFUL, Variation, draw_variation
from synthetic.film.recorder import DIRECT_RECORDING, Recorder, draw_recorder
from synthetic.film.sweep import Window
from synthetic.film.world import PLAIN_WORLD, World, draw_world

__all__ = ["PlannedClip", "Subject", "both_windows", "demo_subjects", "draw_subject", "draw_subjects"]

_FEWEST_FRAMES, _MOST_FRAMES = 75, 500  # 3 to 20 s
_MOST_FRAMES_OF_A_SWEEP = 260  # of hands that sweep once; the median is 140
_TWO_CLIPS = 0.25  # share of windows that are filmed twice (judgement, no source)


@dataclass(frozen=True)
class PlannedClip:
    """One clip. hand : how the probe moves"""

    window: Window
    frames: int = 110
    hand: Hand = PLAIN_HAND


def both_windows(frames: int) -> tuple[PlannedClip, ...]:
    """One clip of each window, with a plain hand."""
    return PlannedClip("left", frames), PlannedClip("right", frames)


@dataclass(frozen=True)
class Subject:
    """An animal to be filmed. species : by name or by its ranges;  clips : in the order in which they are filmed
    recorder : how the clips are stored;  world : of the machine and the physics;  variation : of the machine
    grey_map_knots : 9 greys for evenly spaced echoes, the weakest first; None to draw a map at random
    """

    name: str
    species: str | SpeciesRanges
    stage_counts: StageCounts
    clips: tuple[PlannedClip, ...] = both_windows(110)
    recorder: Recorder = DIRECT_RECORDING
    world: World = PLAIN_WORLD
    variation: Variation = CAREFUL
    grey_map_knots: tuple[float, ...] | None = None

    @property
    def file_stems(self) -> tuple[str, ...]:
        """Names of the clips without endings: window and number."""
        windows = [clip.window for clip in self.clips]
        return tuple(f"{window}-{windows[: index + 1].count(window)}" for index, window in enumerate(windows))


def draw_subjects(animals: int, seed: int, fixed: Mapping[str, str] | None = None) -> list[Subject]:
    """Invented animals of all species in all worlds. Each depends only on the seed and its place in the list.

    fixed : parts of the world that are the same for all, see draw_world
    Raises PhantomError for a number below 1, and for an unknown part of a world.
    """
    if animals < 1:
        raise PhantomError(f"The number of animals must be at least 1, got {animals}.")
    return [draw_subject(index, seed, fixed or {}) for index in range(animals)]


def draw_subject(index: int, seed: int, fixed: Mapping[str, str]) -> Subject:
    """The animal at one place of the list, from 0, see draw_subjects."""
    rng = np.random.default_rng([seed, index, 1])
    species = PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))]
    world = draw_world(rng, fixed)
    return Subject(
        name=f"AF-{index + 1:04d}",
        species=species,
        stage_counts=draw_stage_counts(rng, load_species_ranges(species)),
        recorder=draw_recorder(rng, world.screen),
        world=world,
        variation=draw_variation(rng),
        clips=_draw_clips(rng, world.hand),
    )


def demo_subjects() -> list[Subject]:
    """The demo's animals of the fictional Alder Fen station: round and oval eggs, thin shells, follicles only, nothing,
    and an uncertain case, a large clutch filmed too fast.
    """
    slow, fast = both_windows(100), both_windows(40)
    return [
        Subject("AF-0412", "trachemys-scripta", StageCounts(calcified=8), slow),
        Subject("AF-0415", "gopherus-polyphemus", StageCounts(calcified=5), slow),
        Subject("AF-0419", "emys-orbicularis", StageCounts(thin_shelled=6), slow),
        Subject("AF-0423", "testudo-hermanni-boettgeri", StageCounts(follicles=9), slow),
        Subject("AF-0426", "terrapene-ornata", StageCounts(), slow),
        Subject("AF-0431", "chelydra-serpentina", StageCounts(calcified=24, follicles=4), fast),
    ]


def _draw_clips(rng: np.random.Generator, family: HandFamily) -> tuple[PlannedClip, ...]:
    """One or two clips of each window, each moved anew."""
    clips = []
    windows: tuple[Window, ...] = ("left", "right")
    for window in windows:
        for _ in range(2 if rng.random() < _TWO_CLIPS else 1):
            hand = draw_hand(rng, family)
            clips.append(PlannedClip(window, _draw_frames(rng, hand), hand))
    return tuple(clips)


def _draw_frames(rng: np.random.Generator, hand: Hand) -> int:
    """How long a clip takes: log-uniform, and longer with more passes."""
    fewest, most = _FEWEST_FRAMES, _MOST_FRAMES_OF_A_SWEEP
    if isinstance(hand.motion, Fanning):
        passes = hand.motion.turns + 1
        fewest = max(fewest, int(1.5 * MIN_PASS_FRAMES * passes))
        most = min(_MOST_FRAMES, MAX_PASS_FRAMES * passes)
    return int(np.exp(rng.uniform(np.log(fewest), np.log(most + 1))))
