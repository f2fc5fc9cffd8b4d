"""Frames of signed exams, with the eggs that people answered for: labels to measure and to learn from.

A frame is taken if it was used, nobody marked it as unusable, and somebody has spoken of every object in view. An egg
that a person drew is outlined on one frame only, so the frames near that one, where it shows without an outline, are
left out. What was said not to be an egg has no outline: it is background.

    images/ANIMAL_DATE_CLIP_FRAME.png    black outside the sector, as the network sees them
    coco.json                            all frames and outlines, with whom to ask about each; of a frame its scale, and
                                         the box x0, y0, x1, y1 of the sector that the network is shown
    ANIMAL_DATE_CLIP.mot.txt             the same by clip, as MOTChallenge text (frames there count from 1)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from models.ellipse import area, bounding_boxes, outline
from pipeline.estimate.stages import STAGES
from pipeline.ingest.frame import ClipError
from pipeline.ingest.identity import file_sha256
from pipeline.report.coco import CATEGORIES
from pipeline.report.files import write_whole
from pipeline.report.names import safe_name
from pipeline.report.result import dumps
from pipeline.review.answers import Piece
from pipeline.review.cases import CaseError, Cases
from pipeline.review.desk import Desk, Reviewed
from pipeline.review.frames import masked_frames
from pipeline.review.journal import Journal
from pipeline.review.state import ReviewedEgg
from pipeline.review.view import clips_of
from pipeline.scan import ClipScan
from pipeline.settings import Settings

__all__ = ["LabelledEgg", "Labels", "labelled_frames", "write_labels"]

NEAR_DRAWN_FRAMES = 25  # a second of sweep; an egg seldom shows for longer on either side (judgement, no source)


@dataclass(frozen=True)
class LabelledEgg:
    """An egg on one frame. ellipse : (5,) px;  stage : 0 follicle, 1 thin-shelled, 2 calcified

    number : of the egg in its exam;  by : who spoke last of it
    """

    number: int
    ellipse: tuple[float, ...]
    stage: int
    by: str


@dataclass
class Labels:
    """What was written, and what could not be."""

    exams: int = 0
    frames: int = 0
    outlines: int = 0
    problems: list[str] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        return {
            "exams": self.exams,
            "frames": self.frames,
            "outlines": self.outlines,
            "problems": self.problems,
        }


def labelled_frames(reviewed: Reviewed, scan: ClipScan) -> dict[int, list[LabelledEgg]]:
    """The frames of one clip on which everything in view was spoken of, each with its eggs, by number."""
    stages = {egg.identity: STAGES.index(egg.stage) for egg in reviewed.finding.eggs}
    unusable = [range(first, last + 1) for first, last in reviewed.state.unusable.get(scan.file, ())]
    unspoken: set[int] = set()
    drawn: set[int] = set()
    found: dict[int, list[LabelledEgg]] = {int(frame): [] for frame in scan.used}
    for egg in reviewed.state.eggs:
        for piece in egg.pieces:
            for frame, ellipse in _sightings(egg, piece, scan):
                if egg.verdict is None and egg.is_shown:
                    unspoken.add(frame)
                elif egg.verdict == "egg" and frame in found and egg.number in stages:
                    found[frame].append(LabelledEgg(egg.number, ellipse, stages[egg.number], egg.by or ""))
                    drawn |= {frame} if piece.track < 0 else set()
    near = {frame for at in drawn for frame in range(at - NEAR_DRAWN_FRAMES, at + NEAR_DRAWN_FRAMES + 1)} - drawn
    return {
        frame: sorted(eggs, key=lambda egg: egg.number)
        for frame, eggs in sorted(found.items())
        if frame not in unspoken and frame not in near and not any(frame in part for part in unusable)
    }


def write_labels(out: Path, to: Path, settings: Settings, progress: Callable[[int, int], None]) -> Labels:
    """Write the labels of all signed exams under ``to``. progress : told how many exams are done, of how many

    A recording that is gone, or an exam that cannot be read, is told in the answer and the others go on.
    Raises OutputError where nothing can be written.
    """
    written = Labels()
    cases, journal = Cases(out, settings), Journal(out)
    desk = Desk(journal)
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    try:
        summaries = cases.summaries()
        for done, summary in enumerate(summaries):
            progress(done, len(summaries))
            try:
                case = cases.case(summary.folder)
            except CaseError as error:
                written.problems.append(str(error))
                continue
            reviewed = None if case is None else desk.reviewed(case)
            if reviewed is None or reviewed.state.signed is None:
                continue
            written.exams += 1
            for scan in clips_of(reviewed.case.scans):
                try:
                    _write_clip(reviewed, scan, to, settings, images, annotations)
                except ClipError as error:
                    written.problems.append(f"{summary.exam.animal}, {summary.exam.date}: {error}")
        progress(len(summaries), len(summaries))
    finally:
        cases.close()
        journal.close()
    written.frames, written.outlines = len(images), len(annotations)
    categories = [dict(category) for category in CATEGORIES]
    document = {"images": images, "annotations": annotations, "categories": categories}
    write_whole(to / "coco.json", [dumps(document)])
    return written


def _write_clip(
    reviewed: Reviewed,
    scan: ClipScan,
    to: Path,
    settings: Settings,
    images: list[dict[str, Any]],
    annotations: list[dict[str, Any]],
) -> None:
    import cv2

    exam, signed = reviewed.case.exam, reviewed.state.signed
    assert signed is not None
    frames = labelled_frames(reviewed, scan)
    if not frames:
        return
    path = next(clip.path for clip in exam.clips if clip.file == scan.file)
    if file_sha256(path) != scan.sha256:
        raise ClipError(f"{scan.file} has changed since it was read, so its labels belong to other frames.")
    stem = safe_name(f"{exam.animal}_{exam.date.isoformat()}_{scan.file}")
    lines: list[str] = []
    for index, grey, sector in masked_frames(path, settings.ingest):
        if sector is None or index not in frames:
            continue
        name = f"images/{stem}_{index:06d}.png"
        write_whole(to / name, [cv2.imencode(".png", grey)[1].tobytes()])
        image = len(images) + 1
        images.append(
            {
                "id": image,
                "file_name": name,
                "width": scan.width,
                "height": scan.height,
                "animal": exam.animal,
                "exam": exam.date.isoformat(),
                "clip": scan.file,
                "frame": index,
                "mm_per_px": scan.mm_per_px,
                "sector_box": list(sector.box),
                "upside_down": sector.upside_down,
                "signed_by": signed.name,
                "signed_at": signed.at,
            }
        )
        for egg in frames[index]:
            annotations.append({"id": len(annotations) + 1, "image_id": image, **_annotation(egg)})
            left, top, width, height = bounding_boxes([egg.ellipse])[0].tolist()
            box = f"{left:.2f},{top:.2f},{width:.2f},{height:.2f}"
            lines.append(f"{index + 1},{egg.number},{box},1,{egg.stage + 1},1\n")
    write_whole(to / f"{stem}.mot.txt", ["".join(lines).encode()])


def _annotation(egg: LabelledEgg) -> dict[str, Any]:
    row = [egg.ellipse]
    return {
        "category_id": egg.stage + 1,
        "bbox": np.round(bounding_boxes(row)[0], 2).tolist(),
        "segmentation": [np.round(outline(row).reshape(-1), 1).tolist()],
        "area": round(float(area(row)[0]), 1),
        "iscrowd": 0,
        "ellipse": np.round(egg.ellipse, 2).tolist(),
        "egg_id": egg.number,
        "confirmed_by": egg.by,
    }


def _sightings(egg: ReviewedEgg, piece: Piece, scan: ClipScan) -> Iterator[tuple[int, tuple[float, ...]]]:
    """The frames of a piece with its outlines."""
    if piece.clip != scan.file:
        return
    if piece.track < 0:
        if egg.outline is not None:
            yield piece.first, egg.outline
        return
    track = next(track for track in scan.tracks.tracks if track.identity == piece.track)
    for frame, ellipse in zip(track.frames.tolist(), track.ellipses.tolist(), strict=True):
        if piece.first <= frame <= piece.last:
            yield frame, tuple(ellipse)
