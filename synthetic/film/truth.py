"""Ground truth of phantom clips in open formats: COCO, MOTChallenge text, and a table of animals.

``coco.json`` has a few keys beyond those of COCO. Of an image: ``animal``, ``clip`` and ``frame`` (from 0). Of an
annotation: ``ellipse`` [cx, cy, semi-major, semi-minor, degrees] in px, amodal; ``track_id``, the same for one object
in all clips of its animal; ``visible``, the share of the outline that is not in shadow; ``shown``, 1 if a person would
say that the object is there; ``depth_mm`` of the centre, from the probe's face along the beam. ``iscrowd`` is 1 if an
object is mostly hidden or cut near its pole: neither right nor wrong to find.

``animals.json`` has for each animal ``world``, the named models that she is made of, see ``World``; and for each clip,
among others: ``poses``, a row of six numbers for each frame, as ``Sweep.poses``: x, y, z of the middle of the probe's
face in body mm, and the rotation vector in degrees from a probe held straight; ``turns``, the frames at which the hand
turned back, as ``Sweep.turns``; ``path_mm``, the path of the scan plane through the moving tissue, see ``swept_path``;
``pictures_sha256``, of the pictures before they were compressed, row by row and one after the other.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import ellipse
from models.atomic_write import partial_file
from models.stages import STAGES
from synthetic.anatomy.animal import Animal
from synthetic.anatomy.bodies import Kind
from synthetic.film.film import FilmedFrame, FilmedObject
from synthetic.film.sweep import Direction
from synthetic.film.world import World

__all__ = ["CATEGORIES", "AnimalTruth", "ClipTruth", "write_json"]

CATEGORIES = [{"id": index + 1, "name": stage} for index, stage in enumerate(STAGES)]

# An object is "seen" by a sweep if it was in good view in at least this many frames; with fewer, nobody would notice
# it. An object that was shown in as many frames, but not in good view, may be noticed or not: it is only "shown". An
# example is an egg in the shadow of another one whose walls are still visible.
MIN_FRAMES_SEEN = 3


@dataclass
class ClipTruth:
    """The ground truth of a clip, collected while it is filmed. file : name in the exam's folder

    hand : direction of the sweep, as Sweep.direction
    path_mm : (T, 3) of the probe, see swept_path;  poses, turns : as in Sweep
    images, annotations : for COCO;  mot_lines : for MOTChallenge
    frames_seen, frames_shown : numbers of frames by the number of the object
    pictures_sha256 : of the pictures before compression, "" until the clip is filmed
    """

    animal: str
    file: str
    window: str
    hand: Direction | None
    mm_per_px: float
    width: int
    height: int
    path_mm: NDArray[np.float64]
    poses: NDArray[np.float64]
    turns: tuple[int, ...]
    images: list[dict[str, Any]] = field(default_factory=list)
    annotations: list[dict[str, Any]] = field(default_factory=list)
    mot_lines: list[str] = field(default_factory=list)
    frames_seen: dict[int, int] = field(default_factory=dict)
    frames_shown: dict[int, int] = field(default_factory=dict)
    pictures_sha256: str = ""

    def add(self, frame: FilmedFrame) -> None:
        """Add the next frame."""
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
        for each in frame.objects:
            self._add_object(index, each)

    def _add_object(self, index: int, filmed: FilmedObject) -> None:
        row = [round(value, 2) for value in filmed.ellipse]
        left, top, width, height = (round(float(v), 2) for v in ellipse.bounding_boxes(filmed.ellipse)[0])
        self.annotations.append(
            {
                "image": index,
                "category_id": filmed.stage + 1,
                "bbox": [left, top, width, height],
                "area": round(float(ellipse.area(filmed.ellipse)[0]), 1),
                "segmentation": [ellipse.outline(filmed.ellipse)[0].round(2).flatten().tolist()],
                "iscrowd": 0 if filmed.is_target else 1,
                "ellipse": row,
                "track_id": filmed.number + 1,
                "visible": round(filmed.visible, 3),
                "shown": int(filmed.shown),
                "depth_mm": round(filmed.depth_mm, 2),
            }
        )
        if filmed.shown:
            self.frames_shown[filmed.number] = self.frames_shown.get(filmed.number, 0) + 1
        if filmed.is_clear:
            self.frames_seen[filmed.number] = self.frames_seen.get(filmed.number, 0) + 1
            self.mot_lines.append(
                f"{index + 1},{filmed.number + 1},{left},{top},{width},{height},1,"
                f"{filmed.stage + 1},{filmed.visible:.3f}"
            )

    @property
    def seen(self) -> set[int]:
        """Numbers of the objects that the sweep showed in good view."""
        return {number for number, frames in self.frames_seen.items() if frames >= MIN_FRAMES_SEEN}

    @property
    def shown(self) -> set[int]:
        """Numbers of the objects that the sweep showed at all, in good view or not."""
        return {number for number, frames in self.frames_shown.items() if frames >= MIN_FRAMES_SEEN}


@dataclass(frozen=True)
class AnimalTruth:
    """One animal on one date, with the clips of that exam. world : in which she is filmed"""

    name: str
    date: str
    animal: Animal
    world: World
    clips: tuple[ClipTruth, ...]

    def document(self) -> dict[str, Any]:
        """The animal's entry in ``animals.json``.

        in_animal, seen, shown : numbers by stage, carried, shown in good view by at least one sweep, and shown at all
        objects : every follicle and egg with its stage and full axes in mm
        clips : what each one saw and showed, and the path of the probe
        """
        targets = set(self.animal.target_indices.tolist())
        seen = set[int]().union(*(clip.seen for clip in self.clips))
        shown = seen.union(*(clip.shown for clip in self.clips))
        in_animal, seen_by_stage = self._by_stage(targets), self._by_stage(seen)
        return {
            "date": self.date,
            "species": self.animal.species,
            "world": self.world.document(),
            "in_animal": in_animal,
            "seen": seen_by_stage,
            "shown": self._by_stage(shown),
            "shelled_in_animal": in_animal["thin-shelled"] + in_animal["calcified"],
            "shelled_seen": seen_by_stage["thin-shelled"] + seen_by_stage["calcified"],
            "clips": {
                clip.file: {
                    "window": clip.window,
                    "frames": len(clip.images),
                    "mm_per_px": clip.mm_per_px,
                    "seen": self._by_stage(clip.seen),
                    "seen_ids": sorted(number + 1 for number in clip.seen),
                    "shown_ids": sorted(number + 1 for number in clip.shown),
                    "path_mm": clip.path_mm.round(2).tolist(),
                    "poses": clip.poses.round(3).tolist(),
                    "turns": list(clip.turns),
                    "pictures_sha256": clip.pictures_sha256,
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
                for number in sorted(targets)
            ],
        }

    def _stage(self, number: int) -> str:
        return STAGES[int(self.animal.kinds[number]) - int(Kind.FOLLICLE)]

    def _by_stage(self, numbers: set[int]) -> dict[str, int]:
        stages = [self._stage(number) for number in numbers]
        return {stage: stages.count(stage) for stage in reversed(STAGES)}


def write_json(path: Path, document: object) -> None:
    """Write compact JSON with a newline at the end."""
    with partial_file(path) as part:
        part.write_text(json.dumps(document, separators=(",", ":")) + "\n", encoding="utf-8")
