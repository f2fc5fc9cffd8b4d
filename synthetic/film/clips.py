"""Phantom clips on disk: exam folders with MP4 files and ground truth.

``ROOT/ANIMAL/DATE/`` holds the clips, ``exam.toml`` and the ground truth ``CLIP.mot.txt`` of each clip.
``ROOT/coco.json`` and ``ROOT/animals.json`` hold the ground truth of all animals.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import av
import numpy as np
import torch
from numpy.typing import NDArray

from models.atomic_write import partial_file
from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.reproductive_state import draw_stage_counts
from synthetic.anatomy.species import PHANTOM_SPECIES, SpeciesRanges, load_species_ranges
from synthetic.errors import PhantomError
from synthetic.film.film import HEIGHT, WIDTH, ClipRenderer, draw_machine
from synthetic.film.hand import FRAMES_PER_SECOND, PLAIN_HAND, Hand, Sweep, Window, draw_hand, draw_sweep
from synthetic.film.probe_path import swept_path
from synthetic.film.recorder import DIRECT_RECORDING, Recorder, draw_recorder
from synthetic.film.tissue_motion import draw_breath
from synthetic.film.truth import CATEGORIES, AnimalTruth, ClipTruth, write_json

__all__ = ["Subject", "draw_subjects", "write_demo", "write_phantoms", "write_subjects"]

_FIRST_DATE = dt.date(2026, 5, 3)
_MAX_BODY_DRAWS = 20  # until a body holds the clutch

ProgressCallback = Callable[[int, int], None]


@dataclass(frozen=True)
class Subject:
    """An animal to be filmed. species : by name or by its ranges;  windows : one clip each
    frames : per clip;  hand : how the probe moves;  recorder : how the clip is stored
    grey_map_knots : 9 greys for evenly spaced echoes, the weakest first; None to draw a map at random
    """

    name: str
    species: str | SpeciesRanges
    stage_counts: StageCounts
    windows: tuple[Window, ...] = ("left", "right")
    frames: int = 110
    hand: Hand = PLAIN_HAND
    recorder: Recorder = DIRECT_RECORDING
    grey_map_knots: tuple[float, ...] | None = None


def draw_subjects(animals: int, seed: int) -> list[Subject]:
    """Invented animals of all species. Each depends only on the seed and its place in the list.

    Raises PhantomError for a number below 1.
    """
    if animals < 1:
        raise PhantomError(f"The number of animals must be at least 1, got {animals}.")
    subjects = []
    for index in range(animals):
        rng = np.random.default_rng([seed, index, 1])
        species = PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))]
        subjects.append(
            Subject(
                name=f"AF-{index + 1:04d}",
                species=species,
                stage_counts=draw_stage_counts(rng, load_species_ranges(species)),
                frames=int(rng.integers(90, 131)),
                hand=draw_hand(rng),
                recorder=draw_recorder(rng),
            )
        )
    return subjects


def write_phantoms(
    root: Path, *, animals: int, seed: int, progress: ProgressCallback = lambda done, total: None
) -> None:
    """Film ``animals`` invented animals into exam folders under ``root``, with ground truth.

    progress : called with the frames done and the total number of frames
    """
    write_subjects(root, draw_subjects(animals, seed), seed=seed, progress=progress)


def write_demo(root: Path, *, seed: int, progress: ProgressCallback = lambda done, total: None) -> None:
    """Film the demo's animals of the fictional Alder Fen station: round and oval eggs, thin shells, follicles only,
    nothing, and an uncertain case, a large clutch filmed too fast.
    """
    subjects = [
        Subject("AF-0412", "trachemys-scripta", StageCounts(calcified=8), frames=100),
        Subject("AF-0415", "gopherus-polyphemus", StageCounts(calcified=5), frames=100),
        Subject("AF-0419", "emys-orbicularis", StageCounts(thin_shelled=6), frames=100),
        Subject("AF-0423", "testudo-hermanni-boettgeri", StageCounts(follicles=9), frames=100),
        Subject("AF-0426", "terrapene-ornata", StageCounts(), frames=100),
        Subject("AF-0431", "chelydra-serpentina", StageCounts(calcified=24, follicles=4), frames=40),
    ]
    write_subjects(root, subjects, seed=seed, progress=progress)


def write_subjects(
    root: Path, subjects: Sequence[Subject], *, seed: int, progress: ProgressCallback, processes: int | None = None
) -> None:
    """Film the subjects, one process per clip, and write the ground truth of all at the end.

    processes : by default the number of processors. The files do not depend on it. Raises PhantomError if the folder
    cannot be written.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        _write_all(root, subjects, seed, progress, processes)
    except OSError as error:
        raise PhantomError(
            f"{root} cannot be written ({error.strerror or error}). Choose a folder that you may write to, on a disk "
            "with free space."
        ) from error


def _write_all(
    root: Path, subjects: Sequence[Subject], seed: int, progress: ProgressCallback, processes: int | None
) -> None:
    jobs = [
        _Job(root, seed, index, subject, window) for index, subject in enumerate(subjects) for window in subject.windows
    ]
    total = sum(job.subject.frames for job in jobs)
    done = 0
    progress(done, total)
    truths: dict[tuple[int, Window], ClipTruth] = {}
    # A process per clip is faster than several threads per picture, which wait for each other.
    processes = min(len(jobs), processes or len(os.sched_getaffinity(0)))
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _use_one_thread) as pool:
        futures = {pool.submit(_film, job): job for job in jobs}
        for future in as_completed(futures):
            job = futures[future]
            truths[job.index, job.window] = future.result()
            done += job.subject.frames
            progress(done, total)
    animals = []
    for index, subject in enumerate(subjects):
        clips = tuple(truths[index, window] for window in subject.windows)
        animal = _animal(seed, index, subject)
        folder = root / subject.name / _date(index)
        (folder / "exam.toml").write_text(_exam_toml(subject.name, _date(index), animal, clips), encoding="utf-8")
        animals.append(AnimalTruth(subject.name, _date(index), animal, clips))
    write_json(root / "animals.json", {truth.name: truth.document() for truth in animals})
    write_json(root / "coco.json", _coco([clip for truth in animals for clip in truth.clips]))


@dataclass(frozen=True)
class _Job:
    root: Path
    seed: int
    index: int
    subject: Subject
    window: Window


def _use_one_thread() -> None:
    torch.set_num_threads(1)


def _film(job: _Job) -> ClipTruth:
    """Write one clip and its MOTChallenge ground truth."""
    animal = _animal(job.seed, job.index, job.subject)
    rng = np.random.default_rng([job.seed, job.index, 3])
    machine = draw_machine(rng, animal)
    if job.subject.grey_map_knots is not None:
        machine = machine.with_grey_map_knots(job.subject.grey_map_knots)
    renderer = ClipRenderer(animal, machine, int(rng.integers(2**62)))
    # From here on the draws differ between windows.
    rng = np.random.default_rng([job.seed, job.index, 4, job.subject.windows.index(job.window)])
    sweep = draw_sweep(rng, animal, job.window, job.subject.frames, job.subject.hand)
    breath = draw_breath(rng, job.subject.frames)
    truth = ClipTruth(
        animal=job.subject.name,
        file=f"{job.window}-1.mp4",
        window=job.window,
        hand=None if job.subject.hand.returns else _direction(sweep),
        mm_per_px=round(machine.mm_per_px, 5),
        width=WIDTH,
        height=HEIGHT,
        path_mm=swept_path(sweep, breath, float(machine.scanner.depth_mm)),
    )

    def recorded() -> Iterator[NDArray[np.uint8]]:
        for frame in job.subject.recorder.record(renderer.render(sweep, breath, int(rng.integers(2**62)))):
            truth.add(frame)
            yield frame.grey

    folder = job.root / job.subject.name / _date(job.index)
    folder.mkdir(parents=True, exist_ok=True)
    write_mp4(folder / truth.file, recorded(), frame_rate=FRAMES_PER_SECOND, crf=job.subject.recorder.crf)
    (folder / f"{job.window}-1.mot.txt").write_text("\n".join([*truth.mot_lines, ""]), encoding="utf-8")
    return truth


def _date(index: int) -> str:
    return (_FIRST_DATE + dt.timedelta(days=index % 28)).isoformat()


def _animal(seed: int, index: int, subject: Subject) -> Animal:
    rng = np.random.default_rng([seed, index, 2])
    species = subject.species if isinstance(subject.species, SpeciesRanges) else load_species_ranges(subject.species)
    # A small body may not hold a large clutch; a few draws find one that does.
    for _ in range(_MAX_BODY_DRAWS):
        try:
            return draw_animal(rng, species, subject.stage_counts)
        except PhantomError as error:
            problem = error
    raise problem


def write_mp4(
    path: Path, frames: Iterator[NDArray[np.uint8]], *, frame_rate: int, crf: int = DIRECT_RECORDING.crf
) -> None:
    """Write (H, W) uint8 frames as H.264 with the constant rate factor ``crf``. A file of this name is complete."""
    with partial_file(path) as part, av.open(str(part), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=Fraction(frame_rate))
        stream.pix_fmt = "yuv420p"
        # One thread, since the bytes must not depend on the number of threads. The next slower preset takes 3 ms more
        # per frame and saves a fifth of the disk space.
        stream.options = {"crf": str(crf), "preset": "superfast", "threads": "1"}
        for index, grey in enumerate(frames):
            if index == 0:
                stream.height, stream.width = grey.shape
            picture = av.VideoFrame.from_ndarray(grey, format="gray")
            picture.pts = index
            container.mux(stream.encode(picture))
        container.mux(stream.encode())


def _direction(sweep: Sweep) -> Literal["tail to head", "head to tail"]:
    """The direction of a hand that does not come back."""
    first, last = sweep.origins[[0, -1], 1]
    return "tail to head" if last > first else "head to tail"


def _exam_toml(name: str, date: str, animal: Animal, clips: Sequence[ClipTruth]) -> str:
    """The exam file as the person who held the probe would write it."""
    head = [
        f'animal = "{name}"',
        f'species = "{animal.species}"',
        f"date = {date}",
        f"carapace_mm = {animal.carapace_mm:.0f}",
        f"carapace_width_mm = {animal.width_mm:.0f}",
    ]
    tables = []
    for clip in clips:
        hand = "" if clip.hand is None else f'hand = "{clip.hand}"\n'
        tables.append(f'\n[[clip]]\nfile = "{clip.file}"\nwindow = "{clip.window}"\n{hand}mm_per_px = {clip.mm_per_px}')
    return "\n".join([*head, *tables, ""])


def _coco(clips: Sequence[ClipTruth]) -> dict[str, Any]:
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for clip in clips:
        images_before = len(images)
        images += [{"id": images_before + i + 1, **image} for i, image in enumerate(clip.images)]
        for annotation in clip.annotations:
            rest = {key: value for key, value in annotation.items() if key != "image"}
            annotations.append(
                {"id": len(annotations) + 1, "image_id": images_before + annotation["image"] + 1, **rest}
            )
    return {"images": images, "annotations": annotations, "categories": CATEGORIES}
