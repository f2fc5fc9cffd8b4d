"""What a phantom's clips really show, in the open forms: COCO, MOTChallenge text, and a table of animals.

``coco.json`` has a few keys beyond COCO's. Of an image: ``animal``, ``clip`` and ``frame`` (from 0). Of an annotation:
``ellipse`` [cx, cy, semi-major, semi-minor, degrees] in px, amodal; ``track_id``, the same for one object in all clips
of its animal; ``visible``, the share of the outline that is lit; ``shown``, 1 where a person would say that it is
there; ``depth_mm`` of the middle, from the probe's face along the beam. ``iscrowd`` is 1 where an object is mostly
hidden or cut near its pole: neither right nor wrong to find.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import ellipse
from synthetic.anatomy.animal import STAGES, Animal
from synthetic.anatomy.bodies import Kind
from synthetic.film.film import FilmedFrame, FilmedObject

__all__ = ["CATEGORIES", "AnimalTruth", "ClipTruth", "write_json"]

CATEGORIES = [{"id": index + 1, "name": stage} for index, stage in enumerate(STAGES)]

# An object is seen by a sweep if it was in good view in this many frames: fewer, and no one would notice it. One that
# shows in as many and was hardly ever in good view, as an egg in another's shadow whose walls shine through it, may be
# noticed or not: it is told apart.
MIN_FRAMES_SEEN = 3


@dataclass
class ClipTruth:
    """Gathered while a clip is filmed. file : name in the exam's folder;  mm_per_px : of the clip

    hand : "tail to head" or "head to tail", the way it went; None where it came back
    path_mm : (T, 3) of the hand, see `swept_path`
    """

    animal: str
    file: str
    window: str
    hand: str | None
    mm_per_px: float
    width: int
    height: int
    path_mm: NDArray[np.float64]
    images: list[dict[str, Any]] = field(default_factory=list)
    annotations: list[dict[str, Any]] = field(default_factory=list)
    mot_lines: list[str] = field(default_factory=list)
    frames_seen: dict[int, int] = field(default_factory=dict)
    frames_shown: dict[int, int] = field(default_factory=dict)

    def add(self, frame: FilmedFrame) -> None:
        """The next frame, from 0 in order."""
        index = len(self.images)
        self.images.append(
            {
                "animal": self.animal,
                "clip": self.file,
                "frame": index,
                "file_name": f"{self.animal}/{self.file}#{index}",
                "width": self.width,
                "height": self.height,
            }
        )
        for one in frame.objects:
            self._add_object(index, one)

    def _add_object(self, index: int, one: FilmedObject) -> None:
        row = [round(value, 2) for value in one.ellipse]
        left, top, wide, high = (round(float(v), 2) for v in ellipse.bounding_boxes(one.ellipse)[0])
        self.annotations.append(
            {
                "image": index,
                "category_id": one.stage + 1,
                "bbox": [left, top, wide, high],
                "area": round(float(ellipse.area(one.ellipse)[0]), 1),
                "segmentation": [ellipse.outline(one.ellipse)[0].round(2).flatten().tolist()],
                "iscrowd": 0 if one.is_target else 1,
                "ellipse": row,
                "track_id": one.number + 1,
                "visible": round(one.visible, 3),
                "shown": int(one.shown),
                "depth_mm": round(one.depth_mm, 2),
            }
        )
        if one.shown:
            self.frames_shown[one.number] = self.frames_shown.get(one.number, 0) + 1
        if one.is_target:
            self.frames_seen[one.number] = self.frames_seen.get(one.number, 0) + 1
            self.mot_lines.append(
                f"{index + 1},{one.number + 1},{left},{top},{wide},{high},1,{one.stage + 1},{one.visible:.3f}"
            )

    @property
    def seen(self) -> set[int]:
        """Numbers of the objects that the sweep crossed in good view."""
        return {number for number, frames in self.frames_seen.items() if frames >= MIN_FRAMES_SEEN}

    @property
    def shown(self) -> set[int]:
        """Numbers of the objects that the sweep showed at all: those seen, and those that only show."""
        return {number for number, frames in self.frames_shown.items() if frames >= MIN_FRAMES_SEEN}


@dataclass(frozen=True)
class AnimalTruth:
    """One animal on one date, with the clips of that exam."""

    name: str
    date: str
    animal: Animal
    clips: tuple[ClipTruth, ...]

    def document(self) -> dict[str, Any]:
        """The animal's entry in ``animals.json``.

        in_animal, seen and shown : numbers by stage, carried, crossed in good view by at least one sweep, and shown
        by one at all;  objects : every follicle and egg with its stage and full axes in mm;  clips : what each one
        crossed and showed, and the way of the hand
        """
        wanted = set(self.animal.target_indices.tolist())
        seen = set[int]().union(*(clip.seen for clip in self.clips))
        shown = seen.union(*(clip.shown for clip in self.clips))
        in_animal, crossed = self._by_stage(wanted), self._by_stage(seen)
        return {
            "date": self.date,
            "species": self.animal.species,
            "in_animal": in_animal,
            "seen": crossed,
            "shown": self._by_stage(shown),
            "shelled_in_animal": in_animal["thin-shelled"] + in_animal["calcified"],
            "shelled_seen": crossed["thin-shelled"] + crossed["calcified"],
            "clips": {
                clip.file: {
                    "window": clip.window,
                    "frames": len(clip.images),
                    "mm_per_px": clip.mm_per_px,
                    "seen": self._by_stage(clip.seen),
                    "seen_ids": sorted(number + 1 for number in clip.seen),
                    "shown_ids": sorted(number + 1 for number in clip.shown),
                    "path_mm": clip.path_mm.round(2).tolist(),
                }
                for clip in self.clips
            },
            "objects": [
                {
                    "id": number + 1,
                    "stage": self._stage(number),
                    "axes_mm": sorted((round(2 * float(a), 2) for a in self.animal.semi_axes[number]), reverse=True),
                    "seen": number in seen,
                    "shown": number in shown,
                }
                for number in sorted(wanted)
            ],
        }

    def _stage(self, number: int) -> str:
        return STAGES[int(self.animal.kinds[number]) - int(Kind.FOLLICLE)]

    def _by_stage(self, numbers: set[int]) -> dict[str, int]:
        stages = [self._stage(number) for number in numbers]
        return {stage: stages.count(stage) for stage in reversed(STAGES)}


def write_json(path: Path, document: object) -> None:
    """Compact JSON with a newline at the end; under a temporary name first, so that a file of this name is whole."""
    part = path.with_name(f".{path.name}.part")
    part.write_text(json.dumps(document, separators=(",", ":")) + "\n", encoding="utf-8")
    part.replace(path)
