"""Ground truth and estimate for each animal of a data set.

Only objects that a sweep crossed can be counted (see `pipeline.bench.animal_truth.AnimalTruth`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.bench.animal_truth import AnimalTruth
from pipeline.bench.stated_counts import StatedCounts

__all__ = ["CountComparison", "compare_animal", "compare_counts", "comparison_table"]

_LEGEND = (
    "shelled: eggs with a shell in the animal; crossed: those of them that a sweep crossed; "
    "follicles: those that a sweep crossed"
)


@dataclass(frozen=True, kw_only=True)
class CountComparison(StatedCounts):
    """The ground truth and the estimate of one animal. The fields of the estimate are None where there is no result.

    carried, crossed : shelled eggs in the animal, and those that a sweep crossed
    follicles_carried, follicles_crossed : follicles likewise
    shown : shelled eggs that a sweep showed at all, including the crossed ones; None if unknown
    """

    animal: str
    species: str | None
    carried: int
    crossed: int
    follicles_carried: int
    follicles_crossed: int
    stage_crossed: str
    shown: int | None = None

    def document(self) -> dict[str, Any]:
        return asdict(self)


def compare_counts(truth: Mapping[str, AnimalTruth], stated: Mapping[str, StatedCounts]) -> list[CountComparison]:
    """A row for each animal of the ground truth, in its order. stated : by animal; each has one exam"""
    return [compare_animal(animal, known, stated.get(animal, StatedCounts())) for animal, known in truth.items()]


def compare_animal(animal: str, truth: AnimalTruth, stated: StatedCounts) -> CountComparison:
    """The row of one animal."""
    return CountComparison(
        animal=animal,
        species=truth.species,
        carried=truth.carried.shelled,
        crossed=truth.crossed.shelled,
        follicles_carried=truth.carried.follicles,
        follicles_crossed=truth.crossed.follicles,
        stage_crossed=truth.crossed.overall_stage,
        shown=None if truth.shown is None else truth.shown.shelled,
        **vars(stated),
    )


def comparison_table(rows: Sequence[CountComparison]) -> str:
    """The rows as plain text in columns, with a heading and a legend."""
    heading = (
        "animal",
        "species",
        "shelled",
        "crossed",
        "counted",
        "90 %",
        "follicles",
        "counted",
        "stage",
        "estimated",
    )
    cells = [heading, *(_cells(row) for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(heading))]
    numeric = {2, 3, 4, 6, 7}
    lines = [
        "  ".join(
            text.rjust(width) if column in numeric else text.ljust(width)
            for column, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]
    return "\n".join([*lines, _LEGEND])


def _cells(row: CountComparison) -> tuple[str, ...]:
    interval = "-" if row.interval90 is None else f"{row.interval90[0]} to {row.interval90[1]}"
    return (
        row.animal,
        row.species or "-",
        str(row.carried),
        str(row.crossed),
        _text(row.estimate),
        interval,
        str(row.follicles_crossed),
        _text(row.follicles_estimate),
        row.stage_crossed,
        row.stage or "-",
    )


def _text(number: int | None) -> str:
    return "-" if number is None else str(number) if number else "none seen"
