"""Example exams of the fictional Alder Fen station, with drawn speckle as pictures."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from models.stages import STAGES
from pipeline.estimate.history import AnimalBackground, make_history
from pipeline.estimate.results import Count, EggFinding, EggSigns, ExamFinding, Flag, Sighting, UncountedObject, Visit
from pipeline.exams.exam import Exam, ExamClip
from pipeline.exams.folder_names import exam_folder
from pipeline.exams.outcomes import Outcome
from pipeline.exams.species import load_profiles
from pipeline.report.exam_files import EstimatedExam, exam_files
from pipeline.report.export.result import ModelIdentity
from pipeline.report.output_files import replace_exam_files
from pipeline.report.sheet_content import SheetContent, sheet_content
from pipeline.report.summary import ExamSummary, summarise
from pipeline.scan.clip_scan import ClipScan, ScanPicture
from pipeline.settings import load_settings
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.empty_scan import empty_scan

WIDTH, HEIGHT = 640, 480


class ExampleExam(EstimatedExam):
    """With what tests ask for."""

    @property
    def content(self) -> SheetContent:
        """The exam as it goes on its sheet."""
        return sheet_content(*self.arguments)

    @property
    def summary(self) -> ExamSummary:
        return summarise(self.exam, self.finding, self.scans)

    @property
    def arguments(self) -> tuple[Exam, ExamFinding, Sequence[ClipScan], ModelIdentity, str]:
        return self.exam, self.finding, self.scans, self.model, self.settings_sha256

    def write(self, out: Path) -> Path:
        """Write the exam's files under an output folder. Returns their folder."""
        folder = out / exam_folder(self.exam)
        replace_exam_files(folder, exam_files(self))
        return folder


def sha256_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def draw_speckle_picture(rng: np.random.Generator, ellipses: list[tuple[float, ...]], stages: list[str]) -> bytes:
    """A fan of speckle with eggs in it (dark inside, a bright near rim, a shadow below), as JPEG."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
    level = 70 + 25 * np.sin(y / 37 + 0.6 * np.sin(x / 90)) - 0.08 * y
    for (cx, cy, a, b, degrees), stage in zip(ellipses, stages, strict=True):
        turn = np.deg2rad(degrees)
        along = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        across = -(x - cx) * np.sin(turn) + (y - cy) * np.cos(turn)
        radius = np.hypot(along / a, across / b)
        shell_strength = {"follicle": 0.0, "thin-shelled": 0.55, "calcified": 1.0}[stage]
        shadow = (np.abs(x - cx) < 0.8 * a) & (y > cy) & (radius > 1)
        level = np.where(shadow, level * (1 - 0.75 * shell_strength), level)
        level = np.where(radius < 1, 95 if stage == "follicle" else 26, level)
        rim = np.exp(-(((radius - 1) / 0.07) ** 2)) * np.clip((cy + 0.35 * b - y) / b, 0, 1)
        level = level + 200 * shell_strength * rim
    grain = cv2.GaussianBlur(rng.rayleigh(1.0, (HEIGHT, WIDTH)).astype(np.float32), (0, 0), 1.3)
    picture = np.clip(level * grain / 1.25, 0, 255)
    reach, beam = np.hypot(x - WIDTH / 2, y + 60), np.arctan2(x - WIDTH / 2, y + 60)
    picture[(np.abs(beam) > 0.62) | (reach < 85) | (reach > 520)] = 0
    encoded, data = cv2.imencode(".jpg", picture.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])
    assert encoded
    return bytes(data)


def make_scan(
    rng: np.random.Generator,
    file: str,
    window: str | None,
    stages: list[str],
    *,
    frames: int = 300,
    mm_per_px: float | None = 0.24,
) -> ClipScan:
    """A clip in which object k is track k + 1, in view for 40 frames. One detection belongs to no track."""
    used = np.array([f for f in range(frames) if not 120 <= f < 140])
    rows: list[tuple[int, tuple[float, ...], int, float, int]] = []
    tracks, pictures = [], {}
    for k, stage in enumerate(stages):
        start = 8 + (frames - 60) * k // max(1, len(stages))
        seen = np.array([f for f in range(start, start + 40) if f in set(used.tolist())])
        cx, cy = float(rng.uniform(220, 420)), float(rng.uniform(170, 320))
        a = float(rng.uniform(55, 70)) if stage != "follicle" else float(rng.uniform(26, 34))
        b = a * (0.66 if stage != "follicle" else 0.95)
        turn = float(rng.uniform(-40, 40))
        squeeze = np.sqrt(np.clip(1 - ((seen - start - 20) / 28.0) ** 2, 0.1, 1))
        ellipses = np.stack([cx + 0 * squeeze, cy + 0 * squeeze, a * squeeze, b * squeeze, turn + 0 * squeeze], 1)
        probabilities = np.full((len(seen), 3), 0.02)
        probabilities[:, STAGES.index(stage)] = 0.96
        scores = 0.6 + 0.38 * squeeze
        track = Track(k + 1, seen, ellipses, ellipses[:, 1] - 25, probabilities, scores)
        tracks.append(track)
        best = track.best_row
        cx, cy, a, b, turn = (float(v) for v in ellipses[best])
        shape = (cx, cy, a, b, turn)
        pictures[k + 1] = ScanPicture(int(seen[best]), shape, draw_speckle_picture(rng, [shape], [stage]))
        rows += [
            (int(f), tuple(e), STAGES.index(stage), float(s), k + 1)
            for f, e, s in zip(seen, ellipses, scores, strict=True)
        ]
    if stages:
        rows.append((int(used[3]), (300.0, 240.0, 30.0, 20.0, 10.0), 2, 0.31, 0))
    rows.sort(key=lambda row: (row[0], row[4]))
    probabilities = np.full((len(rows), 3), 0.02)
    for index, row in enumerate(rows):
        probabilities[index, row[2]] = 0.96
    return ClipScan(
        file=file,
        sha256=sha256_of(file),
        window=window,
        width=WIDTH,
        height=HEIGHT,
        frame_rate=25.0,
        frames=frames,
        mm_per_px=mm_per_px,
        scale_source="unknown" if mm_per_px is None else "sidecar",
        status="done",
        reason=None,
        used_frames=used,
        frame=np.array([row[0] for row in rows], np.int64),
        ellipse=np.array([row[1] for row in rows], float).reshape(-1, 5),
        stage_probability=probabilities.reshape(-1, 3),
        score=np.array([row[3] for row in rows], float),
        outline_uncertainty=np.tile([1.25, 0.03], (len(rows), 1)),
        track=np.array([row[4] for row in rows], np.int64),
        tracks=ClipTracks(file, window, mm_per_px, frames, tuple(tracks)),
        pictures=pictures,
    )


def refused_scan(file: str, reason: str) -> ClipScan:
    return empty_scan(
        ClipTracks(file, None, None, 0, ()),
        sha256=sha256_of(file),
        width=0,
        height=0,
        frame_rate=None,
        scale_source="unknown",
        status="refused",
        reason=reason,
    )


def make_exam(animal: str, species: str | None, scans: tuple[ClipScan, ...], day: int = 14) -> Exam:
    folder = Path("exams") / "x"
    clips = tuple(ExamClip(folder / scan.file, scan.file, None, scan.mm_per_px, None) for scan in scans)
    return Exam(folder, animal, dt.date(2026, 5, day), species, 830.0, 152.0, 118.0, 0, clips)


def make_signs(stage: str, scaled: bool) -> EggSigns:
    """Typical signs for the stage. The wall of a follicle has no thickness."""
    hardness = STAGES.index(stage)  # 0 for a follicle to 2 for a calcified egg
    return EggSigns(
        rim_db=1.0 + 9.0 * hardness,
        rim_at_least=hardness == 2,
        rim_mm=0.4 + 0.4 * hardness if scaled and hardness else None,
        shadow_db=(-4.0, 5.0, 21.0)[hardness],
        shadow_at_least=hardness == 2,
        interior_db=-12.0 if hardness else 2.0,
        interior="dark, even" if hardness else "grey with a brighter middle",
        shell=("no wall to be seen", "thin shell", "strong shell, no yolk to be seen")[hardness],
        shown_range_db=60.0,
        frames=5,
        grey={"rim": 4.25 * (1.0 + 9.0 * hardness), "shadow": None},
    )


def eggs_of(scans: tuple[ClipScan, ...], stages: list[str], rng: np.random.Generator) -> tuple[EggFinding, ...]:
    """Egg k + 1 consists of track k + 1 of every clip that has such a track."""
    eggs = []
    for k, stage in enumerate(stages):
        sightings, size, depth = [], None, None
        for scan in scans:
            for track in scan.tracks.tracks:
                if track.identity == k + 1:
                    best = track.best_row
                    sightings.append(
                        Sighting(
                            scan.file,
                            k + 1,
                            int(track.frames[0]),
                            int(track.frames[-1]),
                            int(track.frames[best]),
                        )
                    )
                    if scan.mm_per_px is not None:
                        size = 2 * track.ellipses[best, 2:4] * scan.mm_per_px
                        depth = float(track.depths_px[best] * scan.mm_per_px)
        eggs.append(
            EggFinding(
                k + 1,
                stage,  # type: ignore[arg-type]
                float(rng.uniform(0.85, 0.99)),
                float(rng.uniform(0.8, 0.98)),
                "round" if stage == "follicle" else "oval",
                None if size is None else float(size[0]),
                None if size is None else float(size[1]),
                depth,
                tuple(sightings),
                length_interval90_mm=None if size is None else (0.9 * float(size[0]), 1.12 * float(size[0])),
                width_interval90_mm=None if size is None else (0.95 * float(size[1]), 1.06 * float(size[1])),
                oval_probability=0.1 if stage == "follicle" else 0.94,
                stages=tuple(0.9 if name == stage else 0.05 for name in STAGES),  # type: ignore[arg-type]
                network_stages=tuple(0.8 if name == stage else 0.1 for name in STAGES),  # type: ignore[arg-type]
                signs=make_signs(stage, size is not None),
            )
        )
    return tuple(eggs)


MODEL = ModelIdentity("alder-1", sha256_of("weights"))
SETTINGS = sha256_of("settings")


def make_clutch(animal: str = "AF-0412") -> ExampleExam:
    """Eight eggs seen through both windows, and one refused clip."""
    rng = np.random.default_rng(412)
    stages = ["calcified"] * 6 + ["thin-shelled", "follicle"]
    scans = (
        make_scan(rng, "left-1.mp4", "left", stages, frames=420),
        make_scan(rng, "right-1.mp4", "right", stages[:5], frames=300),
        refused_scan("right-2.mp4", "the file ends in the middle of a frame; copy it again from the scanner"),
    )
    finding = ExamFinding(
        Count(5, 7, (6, 9)),
        Count(1, 1, (0, 2)),
        "calcified",
        0.93,
        0.82,
        (
            Flag("large-egg", "vet today", "Egg 3 is wider than eggs of this species usually are."),
            Flag("follicles-and-shells", "check", "A follicle was seen next to shelled eggs."),
            Flag("clip-refused", "note", "One of three clips could not be read."),
        ),
        eggs_of(scans, stages, rng),
    )
    return ExampleExam(make_exam(animal, "Emys orbicularis", scans), finding, scans, MODEL, SETTINGS)


def make_follicles(animal: str = "AF-0417") -> ExampleExam:
    """Three follicles and no shelled egg, through one window."""
    rng = np.random.default_rng(417)
    stages = ["follicle"] * 3
    scans = (make_scan(rng, "left-1.mp4", "left", stages),)
    eggs = eggs_of(scans, stages, rng)
    finding = ExamFinding(make_count(0, 0, 1), make_count(4, 3, 6), "follicle", 0.91, 0.8, (), eggs)
    return ExampleExam(make_exam(animal, "Emys orbicularis", scans), finding, scans, MODEL, SETTINGS)


def make_empty(animal: str = "AF-0413") -> ExampleExam:
    """No egg seen, through one window only."""
    rng = np.random.default_rng(413)
    scans = (make_scan(rng, "left-1.mp4", "left", []),)
    finding = ExamFinding(
        Count(0, 0, (0, 1)),
        Count(0, 0, (0, 1)),
        "none seen",
        0.9,
        0.7,
        (Flag("one-window-only", "check", "Only the left window was scanned."),),
        (),
    )
    return ExampleExam(make_exam(animal, "Testudo hermanni", scans), finding, scans, MODEL, SETTINGS)


def make_uncertain(animal: str = "AF-0418") -> ExampleExam:
    """No egg seen, and a possible follicle that was not counted."""
    empty = make_empty(animal)
    scan = make_scan(np.random.default_rng(418), "right-1.mp4", "right", ["follicle"])
    track = scan.tracks.tracks[0]
    first, last, best = (int(track.frames[row]) for row in (0, -1, track.best_row))
    candidate = UncountedObject(1, "follicle", 0.31, (Sighting(scan.file, 1, first, last, best),))
    place = f"{scan.file}, frames {first} to {last}"
    flag = Flag(
        "doubtful-objects", "check", f"Possible egg or follicle, not counted: {place}.", "Look at these frames."
    )
    finding = replace(empty.finding, flags=(flag,), uncounted=(candidate,))
    return replace(empty, finding=finding, scans=(*empty.scans, scan))


def make_refused(animal: str = "AF-0414") -> ExampleExam:
    """No clip could be used."""
    scans = (
        refused_scan("left-1.mp4", "not a video: it begins like a text file"),
        refused_scan("right-1.mp4", "it has no frames"),
    )
    finding = ExamFinding(
        Count(0, 0, (0, 0)),
        Count(0, 0, (0, 0)),
        "none seen",
        0.0,
        0.0,
        (Flag("not-scanned", "check", "No clip could be used; record her again."),),
        (),
    )
    return ExampleExam(make_exam(animal, None, scans), finding, scans, MODEL, SETTINGS)


def make_without_scale(animal: str = "AF-0415") -> ExampleExam:
    """Two eggs in a clip without a scale."""
    rng = np.random.default_rng(415)
    scans = (make_scan(rng, "sweep.avi", None, ["calcified", "calcified"], mm_per_px=None),)
    eggs = tuple(replace(egg, shape="cannot tell") for egg in eggs_of(scans, ["calcified", "calcified"], rng))
    finding = ExamFinding(Count(2, 2, (2, 3)), Count(0, 0, (0, 1)), "calcified", 0.97, 0.88, (), eggs)
    return ExampleExam(make_exam(animal, "Trachemys scripta", scans), finding, scans, MODEL, SETTINGS)


def make_count(estimate: int, low: int, high: int) -> Count:
    """A count whose probabilities decrease from the estimate to the ends of its interval."""
    weights = [0.0] * low + [1.0 / (1 + abs(number - estimate)) for number in range(low, high + 1)]
    return Count(low, estimate, (low, high), tuple(weight / sum(weights) for weight in weights))


def make_returning(animal: str = "AF-0416") -> ExampleExam:
    """Her fifth exam: follicles, then shells, then an exam that could not be used. Eggs have left her since."""
    rng = np.random.default_rng(416)
    stages = ["calcified"] * 4
    scans = (make_scan(rng, "left-1.mp4", "left", stages), make_scan(rng, "right-1.mp4", "right", stages[:2]))

    def visit(
        day: int, month: int, shelled: Count, follicles: Count, stage: str, listed: tuple[int, int, int]
    ) -> Visit:
        return Visit(dt.date(2026, month, day), stage != "none seen", shelled, follicles, stage, 0.95, listed, 0)

    none_seen = Count(0, 0, (0, 1))
    now = make_count(4, 4, 6)
    visits = (
        visit(2, 4, make_count(0, 0, 1), make_count(7, 6, 9), "follicle", (7, 0, 0)),
        visit(20, 4, make_count(8, 7, 10), make_count(1, 0, 2), "thin-shelled", (1, 8, 0)),
        visit(1, 5, none_seen, none_seen, "none seen", (0, 0, 0)),
        visit(8, 5, make_count(8, 7, 9), make_count(0, 0, 1), "calcified", (0, 0, 8)),
        replace(visit(14, 5, now, make_count(0, 0, 1), "calcified", (0, 0, 4)), passed_before=1),
    )
    laid = (Outcome(animal, "laid", dt.date(2026, 5, 10), 3),)
    profile = load_profiles()["emys-orbicularis"]
    history = make_history(visits[-1], AnimalBackground(profile, visits[:-1], laid), load_settings().change)
    flags = (Flag("shells-retained", "check", "Shells were first seen 24 days ago.", "A vet may want to see her."),)
    finding = ExamFinding(
        now, visits[-1].follicles, "calcified", 0.95, 0.8, flags, eggs_of(scans, stages, rng), history
    )
    exam = replace(make_exam(animal, "Emys orbicularis", scans), passed_before=1)
    return ExampleExam(exam, finding, scans, MODEL, SETTINGS)
