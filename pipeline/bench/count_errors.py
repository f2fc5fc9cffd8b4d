"""What each listed egg or follicle is in truth: errors that cancel each other out in the error of a count.

A sighting of a listing lies on the true object that its outline overlaps most, if they overlap by at least half. The
object on which most sightings lie is the one that the listing shows. With another object under at least a quarter of
the sightings that lie on any object, the listing holds two. If fewer than three tenths of its sightings lie on an
object, it shows none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from models.ellipse import overlap
from models.evaluation_thresholds import MIN_OUTLINE_IOU
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import DataSet, rows_by_frame

__all__ = ["CountErrors", "count_errors"]

_Object = tuple[str, int]  # animal and identity

# Shares of sightings; both are common practice, no source.
_MIN_SHARE_ON_OBJECTS = 0.3
_MIN_SHARE_OF_SECOND_OBJECT = 0.25


@dataclass(frozen=True)
class CountErrors:
    """The shelled eggs in the results against those that were crossed, or the follicles likewise.

    crossed = listed - listed_twice - no_object - other_kind + merged + missed

    crossed : true objects of this kind that a clip crossed according to ``animals.json``, or that a listing shows
    listed : listings of this kind in the results
    listed_twice : listings beyond the first one that shows the same object
    two_under_one : listings that hold two objects or more
    no_object : listings that show no object;  other_kind : listings that show an object of the other kind
    merged : crossed objects that are only the second one under a listing
    missed : crossed objects that no listing of this kind shows or holds
    """

    crossed: int
    listed: int
    listed_twice: int
    two_under_one: int
    no_object: int
    other_kind: int
    merged: int
    missed: int


def count_errors(
    data_set: DataSet, found: ExportedDetections, results: Sequence[Mapping[str, Any]], *, shelled: bool
) -> CountErrors | None:
    """The errors over all animals of a data set; None where it does not identify objects.

    results : the ``result.json`` of each animal;  shelled : whether of shelled eggs, or of follicles
    """
    if not data_set.objects.object_id.all():
        return None
    sightings, kinds = _objects_of_sightings(data_set, found), _kinds(data_set)
    crossed = {each for each in _crossed(data_set) if kinds.get(each) == shelled}
    shown: Counter[_Object] = Counter()
    held: set[_Object] = set()
    listed = two_under_one = no_object = other_kind = 0
    for result in results:
        for egg in result["eggs"]:
            if (egg["stage"] != "follicle") != shelled:
                continue
            listed += 1
            objects = [
                (result["animal"], identity) for identity in _objects_of_listing(sightings, result["animal"], egg["id"])
            ]
            two_under_one += len(objects) > 1
            held.update(objects)
            if not objects:
                no_object += 1
            elif kinds[objects[0]] == shelled:
                shown[objects[0]] += 1
            else:
                other_kind += 1
    not_shown = crossed - set(shown)
    return CountErrors(
        # An object that is listed although no clip crossed it well is not an error. It counts as crossed.
        crossed=len(crossed | set(shown)),
        listed=listed,
        listed_twice=shown.total() - len(shown),
        two_under_one=two_under_one,
        no_object=no_object,
        other_kind=other_kind,
        merged=len(not_shown & held),
        missed=len(not_shown - held),
    )


def _objects_of_listing(sightings: Mapping[tuple[str, int], Counter[int | None]], animal: str, egg: int) -> list[int]:
    """The identities of the objects that a listing holds, first the one that it shows."""
    numbers = sightings.get((animal, egg), Counter())
    on_objects = [(identity, number) for identity, number in numbers.most_common() if identity is not None]
    total = sum(number for _, number in on_objects)
    if not total or total < _MIN_SHARE_ON_OBJECTS * numbers.total():
        return []
    (first, _), *others = on_objects
    return [first, *(each for each, number in others if number >= _MIN_SHARE_OF_SECOND_OBJECT * total)]


def _objects_of_sightings(data_set: DataSet, found: ExportedDetections) -> dict[tuple[str, int], Counter[int | None]]:
    """By animal and listing, the objects on which its sightings lie, and how many do; None for no object."""
    truth, frames = data_set.objects, data_set.frames
    numbers: dict[tuple[str, int], Counter[int | None]] = {}
    for (animal, _, _), found_rows, true_rows in zip(
        frames.ids, rows_by_frame(found.frame, frames), rows_by_frame(truth.frame, frames), strict=True
    ):
        found_rows = found_rows[found.egg[found_rows] > 0]
        if not len(found_rows):
            continue
        ious = overlap(found.ellipses[found_rows], truth.ellipses[true_rows])
        for row, of_row in zip(found_rows.tolist(), ious, strict=True):
            lies_on_one = of_row.max(initial=0.0) >= MIN_OUTLINE_IOU
            identity = int(truth.object_id[true_rows[of_row.argmax()]]) if lies_on_one else None
            numbers.setdefault((animal, int(found.egg[row])), Counter())[identity] += 1
    return numbers


def _kinds(data_set: DataSet) -> dict[_Object, bool]:
    """Whether each object has a shell."""
    truth, names = data_set.objects, data_set.frames.ids
    return {
        (names[frame][0], identity): is_shelled
        for frame, identity, is_shelled in zip(
            truth.frame.tolist(), truth.object_id.tolist(), truth.is_shelled.tolist(), strict=True
        )
    }


def _crossed(data_set: DataSet) -> set[_Object]:
    """The objects that a clip crossed."""
    return {
        (animal, identity)
        for animal, known in data_set.animals.items()
        for clip in known.clips.values()
        for identity in clip.crossed_ids or ()
    }
