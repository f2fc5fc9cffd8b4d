"""Phantom clips on disk: exam folders with MP4 files, and the truth beside them.

``ROOT/ANIMAL/DATE/`` holds the clips, ``exam.toml`` and a ``CLIP.mot.txt`` of truth each; ``ROOT/coco.json`` and
``ROOT/animals.json`` hold the truth of all animals.
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

ProgressCallback = Callable[[int, int], None]


@dataclass(frozen=True)
class Subject:
    """An animal to be filmed. profile : of its species, by name or by its ranges;  windows : one clip each
    frames : of each clip;  hand : that sweeps it;  recorder : that stores it
    grey_map_knots : 9, for echoes from the weakest to the strongest at even steps, where no map is to be drawn
    """

    name: str
    profile: str | SpeciesRanges
    stage_counts: StageCounts
    windows: tuple[Window, ...] = ("left", "right")
    frames: int = 110
    hand: Hand = PLAIN_HAND
    recorder: Recorder = DIRECT_RECORDING
    grey_map_knots: tuple[float, ...] | None = None


def draw_subjects(animals: int, seed: int) -> list[Subject]:
    """Invented animals of all species with what each may carry; each depends on its place and the seed alone.

    Raises PhantomError for a number below 1.
    """
    if animals < 1:
        raise PhantomError(f"The number of animals must be at least 1, got {animals}.")
    subjects = []
    for index in range(animals):
        rng = np.random.default_rng([seed, index, 1])
        profile = PHANTOM_SPECIES[int(rng.integers(len(PHANTOM_SPECIES)))]
        subjects.append(
            Subject(
                name=f"AF-{index + 1:04d}",
                profile=profile,
                stage_counts=draw_stage_counts(rng, load_species_ranges(profile)),
                frames=int(rng.integers(90, 131)),
                hand=draw_hand(rng),
                recorder=draw_recorder(rng),
            )
        )
    return subjects


def write_phantoms(
    root: Path, *, animals: int, seed: int, progress: ProgressCallback = lambda done, total: None
) -> None:
    """Film ``animals`` invented animals into exam folders under ``root``, with their truth.

    progress : told the frames done and the frames in all.
    """
    write_subjects(root, draw_subjects(animals, seed), seed=seed, progress=progress)


def write_demo(root: Path, *, seed: int, progress: ProgressCallback = lambda done, total: None) -> None:
    """The demo's animals of the fictional Alder Fen station: round and oval eggs, thin shells, follicles only,
    nothing to see, and a doubtful one, a large clutch filmed in haste.
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
    """Film the subjects, a clip to a process; truth of all is written at the end.

    processes : by default as many as there are processors. The files do not depend on it.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        _write_all(root, subjects, seed, progress, processes)
    except OSError as error:
        raise PhantomError(
            f"{root} cannot be written ({error.strerror or error}). Name a folder that you may write to, on a disk "
            "with room."
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
    # Two threads that share one picture wait for each other; two processes with a clip each do not.
    processes = min(len(jobs), processes or len(os.sched_getaffinity(0)))
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _one_thread) as pool:
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


def _one_thread() -> None:
    torch.set_num_threads(1)


def _film(job: _Job) -> ClipTruth:
    """Write one clip and its MOTChallenge truth."""
    animal = _animal(job.seed, job.index, job.subject)
    rng = np.random.default_rng([job.seed, job.index, 3])
    machine = draw_machine(rng, animal)
    if job.subject.grey_map_knots is not None:
        machine = machine.with_grey_map_knots(job.subject.grey_map_knots)
    renderer = ClipRenderer(animal, machine, int(rng.integers(2**62)))
    # What follows differs from window to window.
    rng = np.random.default_rng([job.seed, job.index, 4, job.subject.windows.index(job.window)])
    sweep = draw_sweep(rng, animal, job.window, job.subject.frames, job.subject.hand)
    breath = draw_breath(rng, job.subject.frames)
    truth = ClipTruth(
        animal=job.subject.name,
        file=f"{job.window}-1.mp4",
        window=job.window,
        hand=None if job.subject.hand.returns else _way(sweep),
        mm_per_px=round(machine.mm_per_px, 5),
        width=WIDTH,
        height=HEIGHT,
        path_mm=swept_path(sweep, breath, float(machine.scanner.depth_mm)),
    )

    def watched() -> Iterator[NDArray[np.uint8]]:
        for frame in job.subject.recorder.record(renderer.render(sweep, breath, int(rng.integers(2**62)))):
            truth.add(frame)
            yield frame.grey

    folder = job.root / job.subject.name / _date(job.index)
    folder.mkdir(parents=True, exist_ok=True)
    write_mp4(folder / truth.file, watched(), frame_rate=FRAMES_PER_SECOND, crf=job.subject.recorder.crf)
    (folder / f"{job.window}-1.mot.txt").write_text("\n".join([*truth.mot_lines, ""]), encoding="utf-8")
    return truth


def _date(index: int) -> str:
    return (_FIRST_DATE + dt.timedelta(days=index % 28)).isoformat()


def _animal(seed: int, index: int, subject: Subject) -> Animal:
    return _fitting_animal(np.random.default_rng([seed, index, 2]), subject)


def _fitting_animal(rng: np.random.Generator, subject: Subject) -> Animal:
    profile = subject.profile if isinstance(subject.profile, SpeciesRanges) else load_species_ranges(subject.profile)
    # A body drawn small may not hold a clutch drawn large; a few draws find one that does.
    for _ in range(20):
        try:
            return draw_animal(rng, profile, subject.stage_counts)
        except PhantomError as error:
            problem = error
    raise problem


def write_mp4(
    path: Path, frames: Iterator[NDArray[np.uint8]], *, frame_rate: int, crf: int = DIRECT_RECORDING.crf
) -> None:
    """H.264 of (H, W) uint8 frames at the constant rate factor ``crf``.

    Under a temporary name first, so that a file of this name is whole.
    """
    part = path.with_name(f".{path.name}.part")
    with av.open(str(part), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=Fraction(frame_rate))
        stream.pix_fmt = "yuv420p"
        # One thread: the bytes must not depend on how many there are. The next slower preset takes 3 ms a frame more,
        # for a fifth less of disk.
        stream.options = {"crf": str(crf), "preset": "superfast", "threads": "1"}
        for index, grey in enumerate(frames):
            if index == 0:
                stream.height, stream.width = grey.shape
            picture = av.VideoFrame.from_ndarray(grey, format="gray")
            picture.pts = index
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    part.replace(path)


def _way(sweep: Sweep) -> Literal["tail to head", "head to tail"]:
    """Of a hand that does not come back."""
    first, last = sweep.origins[[0, -1], 1]
    return "tail to head" if last > first else "head to tail"


def _exam_toml(name: str, date: str, animal: Animal, clips: Sequence[ClipTruth]) -> str:
    """As whoever held the probe would note it."""
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
        before = len(images)
        images += [{"id": before + i + 1, **image} for i, image in enumerate(clip.images)]
        for annotation in clip.annotations:
            rest = {key: value for key, value in annotation.items() if key != "image"}
            annotations.append({"id": len(annotations) + 1, "image_id": before + annotation["image"] + 1, **rest})
    return {"images": images, "annotations": annotations, "categories": CATEGORIES}
