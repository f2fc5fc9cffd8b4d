"""Frames of signed exams, with the eggs that people answered for: labels to measure and to learn from.

Which frames, and what stays open on them, `labelled_frames` tells. On disk:

    images/ANIMAL_DATE_CLIP_FRAME.png    black outside the sector, as the network sees them
    coco.json                            all frames and outlines, with whom to ask about each; of a frame its scale, and
                                         the box x0, y0, x1, y1 of the sector that the network is shown. What stays open
                                         has ``iscrowd`` 1, as phantoms' truth has: neither right nor wrong to find
    ANIMAL_DATE_CLIP.mot.txt             the eggs by clip, as MOTChallenge text (frames there count from 1)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from models.ellipse import area, bounding_boxes, outline
from pipeline.exams.folder_names import safe_name
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256
from pipeline.labels.frame_selection import IgnoredOutline, LabelledEgg, labelled_frames
from pipeline.report.export.coco import CATEGORIES
from pipeline.report.export.result import to_json_bytes
from pipeline.review.answer_service import AnswerService, ExamReview
from pipeline.review.cases import CaseError, CaseStore
from pipeline.review.event_log import EventLog
from pipeline.review.exam_document import usable_clips
from pipeline.review.frame_cache import masked_frames
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings import Settings
from pipeline.store.atomic_write import write_atomically

__all__ = ["LabelExport", "write_labels"]


@dataclass
class LabelExport:
    """What was written, and what could not be. outlines : of eggs;  ignored : neither right nor wrong to find"""

    exams: int = 0
    frames: int = 0
    outlines: int = 0
    ignored: int = 0
    problems: list[str] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        return {
            "exams": self.exams,
            "frames": self.frames,
            "outlines": self.outlines,
            "ignored": self.ignored,
            "problems": self.problems,
        }


def write_labels(out: Path, folder: Path, settings: Settings, progress: Callable[[int, int], None]) -> LabelExport:
    """Write the labels of all signed exams under folder. progress : told how many exams are done, of how many

    A recording that is gone, or an exam that cannot be read, is told in the answer and the others go on.
    Raises OutputError where nothing can be written.
    """
    written = LabelExport()
    cases, event_log = CaseStore(out, settings), EventLog(out)
    answer_service = AnswerService(event_log)
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
            reviewed = None if case is None else answer_service.current_review(case)
            if reviewed is None or reviewed.state.signature is None:
                continue
            written.exams += 1
            for scan in usable_clips(reviewed.case.scans):
                try:
                    _write_clip(reviewed, scan, folder, settings, images, annotations)
                except ClipError as error:
                    written.problems.append(f"{summary.exam.animal}, {summary.exam.date}: {error}")
        progress(len(summaries), len(summaries))
    finally:
        cases.close()
        event_log.close()
    written.frames, written.ignored = len(images), sum(each["iscrowd"] for each in annotations)
    written.outlines = len(annotations) - written.ignored
    categories = [dict(category) for category in CATEGORIES]
    document = {"images": images, "annotations": annotations, "categories": categories}
    write_atomically(folder / "coco.json", [to_json_bytes(document)])
    return written


def _write_clip(
    reviewed: ExamReview,
    scan: ClipScan,
    folder: Path,
    settings: Settings,
    images: list[dict[str, Any]],
    annotations: list[dict[str, Any]],
) -> None:
    import cv2

    exam, signed = reviewed.case.exam, reviewed.state.signature
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
        write_atomically(folder / name, [cv2.imencode(".png", grey)[1].tobytes()])
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
        outlined: list[LabelledEgg | IgnoredOutline] = [*frames[index].eggs, *frames[index].ignored]
        for one in outlined:
            annotations.append({"id": len(annotations) + 1, "image_id": image, **_annotation(one)})
        for egg in frames[index].eggs:
            left, top, width, height = bounding_boxes([egg.ellipse])[0].tolist()
            box = f"{left:.2f},{top:.2f},{width:.2f},{height:.2f}"
            lines.append(f"{index + 1},{egg.number},{box},1,{egg.stage + 1},1\n")
    write_atomically(folder / f"{stem}.mot.txt", ["".join(lines).encode()])


def _annotation(one: LabelledEgg | IgnoredOutline) -> dict[str, Any]:
    row = [one.ellipse]
    outlined = {
        "category_id": one.stage + 1,
        "bbox": np.round(bounding_boxes(row)[0], 2).tolist(),
        "segmentation": [np.round(outline(row).reshape(-1), 1).tolist()],
        "area": round(float(area(row)[0]), 1),
        "ellipse": np.round(one.ellipse, 2).tolist(),
    }
    if isinstance(one, IgnoredOutline):
        return {**outlined, "iscrowd": 1}
    return {**outlined, "iscrowd": 0, "egg_id": one.number, "confirmed_by": one.answered_by}
