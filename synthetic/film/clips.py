"""Phantom clips on disk: exam folders with MP4 files and ground truth.

``ROOT/ANIMAL/DATE/`` holds the clips, ``exam.toml`` and the ground truth ``CLIP.mot.txt`` of each clip.
``ROOT/coco.json`` and ``ROOT/animals.json`` hold the ground truth of all animals.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import as_completed
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from models.atomic_write import partial_file
from synthetic.acoustics.physics import PHYSICS
from synthetic.anatomy.animal import Animal, draw_animal
from synthetic.anatomy.species import SpeciesRanges, load_species_ranges
from synthetic.errors import PhantomError
from synthetic.film.film import ClipRenderer
from synthetic.film.filming_processes import filming_device, start_filming_processes
from synthetic.film.hand import draw_sweep
from synthetic.film.machine import HEIGHT, WIDTH, draw_machine
from synthetic.film.probe_path import swept_path
from synthetic.film.recorder import DIRECT_RECORDING
from synthetic.film.subjects import PlannedClip, Subject, demo_subjects, draw_subjects
from synthetic.film.sweep import FRAMES_PER_SECOND
from synthetic.film.tissue_motion import draw_breath
from synthetic.film.truth import CATEGORIES, AnimalTruth, ClipTruth, write_json

__all__ = ["write_demo", "write_mp4", "write_phantoms", "write_subjects"]

_FIRST_DATE = dt.date(2026, 5, 3)
_MAX_BODY_DRAWS = 20  # until a body holds the clutch

ProgressCallback = Callable[[int, int], None]


def write_phantoms(
    root: Path,
    *,
    animals: int,
    seed: int,
    fixed: Mapping[str, str] | None = None,
    devices: Sequence[str] = ("cpu",),
    processes: int | None = None,
    progress: ProgressCallback = lambda done, total: None,
) -> None:
    """Film ``animals`` invented animals into exam folders under ``root``, with ground truth.

    fixed : parts of the world that are the same for all, see draw_subjects;  devices, processes : see write_subjects
    progress : called with the frames done and the total number of frames
    """
    subjects = draw_subjects(animals, seed, fixed)
    write_subjects(root, subjects, seed=seed, devices=devices, processes=processes, progress=progress)


def write_demo(root: Path, *, seed: int, progress: ProgressCallback = lambda done, total: None) -> None:
    """Film the demo's animals."""
    write_subjects(root, demo_subjects(), seed=seed, progress=progress)


def write_subjects(
    root: Path,
    subjects: Sequence[Subject],
    *,
    seed: int,
    progress: ProgressCallback,
    processes: int | None = None,
    devices: Sequence[str] = ("cpu",),
) -> None:
    """Film the subjects, one process per clip, and write the ground truth of all at the end.

    processes : by default the number of processors;  devices : of the processes, in turn. The files do not depend on
    how many there are of either, but the noise of a GPU is another one than that of the CPU. Raises PhantomError if the
    folder cannot be written.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        _write_all(root, subjects, seed, progress, processes, devices)
    except OSError as error:
        raise PhantomError(
            f"{root} cannot be written ({error.strerror or error}). Choose a folder that you may write to, on a disk "
            "with free space."
        ) from error


def _write_all(
    root: Path,
    subjects: Sequence[Subject],
    seed: int,
    progress: ProgressCallback,
    processes: int | None,
    devices: Sequence[str],
) -> None:
    jobs = [
        _Job(root, seed, index, subject, number)
        for index, subject in enumerate(subjects)
        for number in range(len(subject.clips))
    ]
    total = sum(job.clip.frames for job in jobs)
    done = 0
    progress(done, total)
    truths: dict[tuple[int, int], ClipTruth] = {}
    with start_filming_processes(devices, processes, len(jobs)) as pool:
        futures = {pool.submit(_film, job): job for job in jobs}
        for future in as_completed(futures):
            job = futures[future]
            truths[job.index, job.number] = future.result()
            done += job.clip.frames
            progress(done, total)
    animals = []
    for index, subject in enumerate(subjects):
        clips = tuple(truths[index, number] for number in range(len(subject.clips)))
        animal = _animal(seed, index, subject)
        folder = root / subject.name / _date(index)
        (folder / "exam.toml").write_text(_exam_toml(subject.name, _date(index), animal, clips), encoding="utf-8")
        animals.append(AnimalTruth(subject.name, _date(index), animal, subject.world, clips))
    write_json(root / "animals.json", {truth.name: truth.document() for truth in animals})
    write_json(root / "coco.json", _coco([clip for truth in animals for clip in truth.clips]))


@dataclass(frozen=True)
class _Job:
    """One clip to be filmed. index : of the subject;  number : of its clip"""

    root: Path
    seed: int
    index: int
    subject: Subject
    number: int

    @property
    def clip(self) -> PlannedClip:
        return self.subject.clips[self.number]


def _film(job: _Job) -> ClipTruth:
    """Write one clip and its MOTChallenge ground truth."""
    animal = _animal(job.seed, job.index, job.subject)
    rng = np.random.default_rng([job.seed, job.index, 3])
    machine = draw_machine(rng, animal, job.subject.world.screen, job.subject.variation)
    if job.subject.grey_map_knots is not None:
        machine = machine.with_grey_map_knots(job.subject.grey_map_knots)
    physics = PHYSICS[job.subject.world.physics]
    renderer = ClipRenderer(animal, machine, int(rng.integers(2**62)), physics, filming_device())
    # From here on the draws differ between clips.
    clip, stem = job.clip, job.subject.file_stems[job.number]
    rng = np.random.default_rng([job.seed, job.index, 4, job.number])
    sweep = draw_sweep(rng, animal, clip.window, clip.frames, clip.hand)
    breath = draw_breath(rng, clip.frames)
    truth = ClipTruth(
        animal=job.subject.name,
        file=f"{stem}.mp4",
        window=clip.window,
        hand=sweep.direction,
        mm_per_px=round(machine.mm_per_px, 5),
        width=WIDTH,
        height=HEIGHT,
        path_mm=swept_path(sweep, breath, float(machine.scanner.depth_mm)),
        poses=sweep.poses,
        turns=sweep.turns,
    )

    digest = hashlib.sha256()

    def recorded() -> Iterator[NDArray[np.uint8]]:
        for frame in job.subject.recorder.record(renderer.render(sweep, breath, int(rng.integers(2**62)))):
            truth.add(frame)
            digest.update(frame.grey.tobytes())
            yield frame.grey

    folder = job.root / job.subject.name / _date(job.index)
    folder.mkdir(parents=True, exist_ok=True)
    write_mp4(folder / truth.file, recorded(), frame_rate=FRAMES_PER_SECOND, crf=job.subject.recorder.crf)
    truth.pictures_sha256 = digest.hexdigest()
    (folder / f"{stem}.mot.txt").write_text("\n".join([*truth.mot_lines, ""]), encoding="utf-8")
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
