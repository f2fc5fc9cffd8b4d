"""The ground truth of each animal: the content of ``animals.json``."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES, Stage

__all__ = ["AnimalTruth", "ClipTruth", "ObjectNumbers", "ObjectTruth", "animal_truth", "read_animal_truths"]


@dataclass(frozen=True)
class ObjectNumbers:
    """Numbers of objects by stage."""

    follicles: int = 0
    thin_shelled: int = 0
    calcified: int = 0

    @property
    def shelled(self) -> int:
        return self.thin_shelled + self.calcified

    @property
    def overall_stage(self) -> Stage | str:
        """The stage of all objects, "mixed" for several stages, and "none" without an object."""
        numbers = zip(STAGES, (self.follicles, self.thin_shelled, self.calcified), strict=True)
        present = [stage for stage, number in numbers if number]
        return "none" if not present else present[0] if len(present) == 1 else "mixed"


@dataclass(frozen=True)
class ObjectTruth:
    """One follicle or egg of an animal.

    identity : as ``TrueObjects.object_id``;  is_crossed : whether a sweep showed it in good view
    axes_mm : (3,) full axes in descending order, None if unknown
    """

    identity: int
    is_shelled: bool
    is_crossed: bool
    axes_mm: tuple[float, ...] | None


@dataclass(frozen=True)
class ClipTruth:
    """One clip of an animal; None where unknown.

    crossed_ids : identities of the objects that the sweep showed in good view
    path_mm : (F, 3) position of the probe in each frame: along the sweep, and across and down in the image plane
    turns : frames in which the probe turned back, in order
    """

    mm_per_px: float | None
    crossed_ids: frozenset[int] | None
    path_mm: NDArray[np.float64] | None
    turns: tuple[float, ...] | None = None


@dataclass(frozen=True)
class AnimalTruth:
    """One animal on one date.

    carried, crossed, shown : objects that she carries, that at least one sweep showed in good view, and that one showed
    at all, including the crossed ones; shown is None if unknown. Only crossed objects can be counted: an egg in the
    shadow of another one is shown, and may be noticed or not.
    clips : by file;  objects : None if unknown
    world : how she was simulated, such as hand, physics and screen: the value of each key, empty if unknown
    """

    date: str
    species: str | None
    carried: ObjectNumbers
    crossed: ObjectNumbers
    shown: ObjectNumbers | None
    clips: Mapping[str, ClipTruth]
    objects: tuple[ObjectTruth, ...] | None
    world: Mapping[str, str] = field(default_factory=dict)


def read_animal_truths(folder: Path) -> dict[str, AnimalTruth]:
    """All animals in ``animals.json`` in ``folder``, by name and in the order of the file."""
    entries = json.loads((folder / "animals.json").read_text(encoding="utf-8"))
    return {name: animal_truth(entry) for name, entry in entries.items()}


def animal_truth(entry: Mapping[str, Any]) -> AnimalTruth:
    """The entry of one animal in ``animals.json``. Raises KeyError for a missing key that is not optional.

    ``follicles_seen`` takes the place of the follicles in ``seen`` where it is given.
    """
    crossed = _numbers(entry["seen"])
    return AnimalTruth(
        date=entry["date"],
        species=entry.get("species"),
        carried=_numbers(entry["in_animal"]),
        crossed=replace(crossed, follicles=entry.get("follicles_seen", crossed.follicles)),
        shown=_numbers(entry["shown"]) if "shown" in entry else None,
        clips={file: _clip_truth(clip) for file, clip in entry.get("clips", {}).items()},
        objects=tuple(_object_truth(each) for each in entry["objects"]) if "objects" in entry else None,
        world=dict(entry.get("world", {})),
    )


def _numbers(by_stage: Mapping[str, int]) -> ObjectNumbers:
    return ObjectNumbers(by_stage["follicle"], by_stage["thin-shelled"], by_stage["calcified"])


def _clip_truth(clip: Mapping[str, Any]) -> ClipTruth:
    return ClipTruth(
        mm_per_px=clip.get("mm_per_px"),
        crossed_ids=frozenset(clip["seen_ids"]) if "seen_ids" in clip else None,
        path_mm=np.array(clip["path_mm"], dtype=np.float64) if "path_mm" in clip else None,
        turns=tuple(clip["turns"]) if "turns" in clip else None,
    )


def _object_truth(each: Mapping[str, Any]) -> ObjectTruth:
    return ObjectTruth(
        identity=each["id"],
        is_shelled=each["stage"] != "follicle",
        is_crossed=each["seen"],
        axes_mm=tuple(each["axes_mm"]) if "axes_mm" in each else None,
    )
