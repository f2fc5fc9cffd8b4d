"""Writes frames of signed exams with the eggs that users confirmed, as labels for evaluation and training.

`labelled_frames` chooses the frames and what is ignored on them. On disk:

    images/ANIMAL_DATE_CLIP_FRAME.png    black outside the sector, as the network sees them
    coco.json                            all frames and outlines, with who confirmed each; for each frame its scale, and
                                         the box x0, y0, x1, y1 of the sector that the network receives. Ignored
                                         outlines have ``iscrowd`` 1, as in the phantoms' ground truth: detecting them
                                         is neither right nor wrong
    ANIMAL_DATE_CLIP.mot.txt             the eggs by clip, as MOTChallenge text (frames there count from 1)
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from models.ellipse import area, bounding_boxes, outline
from pipeline.exams.folder_names import safe_name
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256
from pipeline.labels.frame_selection import IgnoredOutline, LabelledEgg, labelled_frames
from pipeline.people.event_log import EventLog
from pipeline.people.journal import Journal
from pipeline.report.export.coco import CATEGORIES
from pipeline.report.export.result import to_json_bytes
from pipeline.review.best_view import usable_clips
from pipeline.review.cases import CaseError, CaseStore
from pipeline.review.exam_review import ExamReview, ExamReviews
from pipeline.review.frame_cache import masked_frames
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings import Settings
from pipeline.store.atomic_write import write_atomically

__all__ = ["LabelExport", "write_labels"]


@dataclass
class LabelExport:
    """How much was written, and the problems. exams : signed ones;  outlines : of eggs;  ignored : ignored outlines"""

    exams: int = 0
    frames: int = 0
    outlines: int = 0
    ignored: int = 0
    problems: list[str] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        return asdict(self)


def write_labels(out: Path, folder: Path, settings: Settings, progress: Callable[[int, int], None]) -> LabelExport:
    """Write the labels of all signed exams into a folder. progress : called with the numbers of exams done and in all

    A missing recording or an exam that cannot be read is added to the problems, and the others are written.
    Raises OutputError if the folder cannot be written.
    """
    written = LabelExport()
    coco = _CocoLists([], [])
    with closing(Journal(out)) as journal, closing(CaseStore(out, settings, journal)) as cases:
        reviews = ExamReviews(EventLog(journal))
        exams = cases.folders()
        for done, (key, exam_folder) in enumerate(exams):
            progress(done, len(exams))
            try:
                case = cases.case(exam_folder)
            except CaseError as error:
                written.problems.append(str(error))
                continue
            reviewed = None if case is None else reviews.current(case)
            if reviewed is None or reviewed.state.signature is None:
                continue
            written.exams += 1
            for scan in usable_clips(reviewed.case.scans):
                try:
                    _write_clip(reviewed, scan, folder, settings, coco)
                except ClipError as error:
                    written.problems.append(f"{key.animal}, {key.date}: {error}")
        progress(len(exams), len(exams))
    written.frames, written.ignored = len(coco.images), sum(each["iscrowd"] for each in coco.annotations)
    written.outlines = len(coco.annotations) - written.ignored
    categories = [dict(category) for category in CATEGORIES]
    document = {"images": coco.images, "annotations": coco.annotations, "categories": categories}
    write_atomically(folder / "coco.json", [to_json_bytes(document)])
    return written


@dataclass(frozen=True)
class _CocoLists:
    """The entries of coco.json written so far."""

    images: list[dict[str, Any]]
    annotations: list[dict[str, Any]]


def _write_clip(reviewed: ExamReview, scan: ClipScan, folder: Path, settings: Settings, coco: _CocoLists) -> None:
    """Write the frames and the MOT file of one clip, and add its entries. Raises ClipError if it cannot be read."""
    import cv2

    exam, signed = reviewed.case.exam, reviewed.state.signature
    assert signed is not None
    frames = labelled_frames(reviewed, scan)
    if not frames:
        return
    path = next(clip.path for clip in exam.clips if clip.file == scan.file)
    if file_sha256(path) != scan.sha256:
        raise ClipError(f"{scan.file} has changed since the batch read it, so its labels belong to other frames.")
    stem = safe_name(f"{exam.animal}_{exam.date.isoformat()}_{scan.file}")
    lines: list[str] = []
    for masked in masked_frames(path, settings.ingest):
        index, sector = masked.index, masked.sector
        if sector is None or index not in frames:
            continue
        name = f"images/{stem}_{index:06d}.png"
        write_atomically(folder / name, [cv2.imencode(".png", masked.grey)[1].tobytes()])
        image_id = len(coco.images) + 1
        coco.images.append(
            {
                "id": image_id,
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
        outlined: list[LabelledEgg | IgnoredOutline] = [*frames[index].eggs, *frames[index].ignored]
        for one in outlined:
            coco.annotations.append({"id": len(coco.annotations) + 1, "image_id": image_id, **_annotation(one)})
        for egg in frames[index].eggs:
            left, top, width, height = bounding_boxes([egg.ellipse])[0].tolist()
            box = f"{left:.2f},{top:.2f},{width:.2f},{height:.2f}"
            lines.append(f"{index + 1},{egg.number},{box},1,{egg.stage + 1},1\n")
    write_atomically(folder / f"{stem}.mot.txt", ["".join(lines).encode()])


def _annotation(one: LabelledEgg | IgnoredOutline) -> dict[str, Any]:
    ellipses = [one.ellipse]
    geometry = {
        "category_id": one.stage + 1,
        "bbox": np.round(bounding_boxes(ellipses)[0], 2).tolist(),
        "segmentation": [np.round(outline(ellipses).reshape(-1), 1).tolist()],
        "area": round(float(area(ellipses)[0]), 1),
        "ellipse": np.round(one.ellipse, 2).tolist(),
    }
    if isinstance(one, IgnoredOutline):
        return {**geometry, "iscrowd": 1}
    return {**geometry, "iscrowd": 0, "egg_id": one.number, "confirmed_by": one.answered_by}
