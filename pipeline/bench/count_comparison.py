"""Ground truth and estimate for each animal of a data set.

Only objects that a sweep crossed can be counted (see `pipeline.bench.animal_truth.AnimalTruth`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.bench.animal_truth import AnimalTruth

__all__ = ["CountComparison", "compare_counts", "comparison_table"]

_LEGEND = (
    "shelled: eggs with a shell in the animal; crossed: those of them that a sweep crossed; "
    "follicles: those that a sweep crossed"
)


@dataclass(frozen=True)
class CountComparison:
    """The ground truth and the estimate of one animal. The fields of the estimate are None where there is no result.

    carried, crossed : shelled eggs in the animal, and those that a sweep crossed;  follicles_crossed : follicles
    shown : shelled eggs that a sweep showed at all, including the crossed ones; None if unknown
    interval90 : of the shelled estimate, lowest and highest number, both included
    review_flags : number of flags that ask for a person, "vet today" and "check"
    severity : of the most urgent flag, None without any;  confidence, stage_probability : as stated
    """

    animal: str
    species: str | None
    carried: int
    crossed: int
    follicles_crossed: int
    stage_crossed: str
    at_least: int | None
    estimate: int | None
    interval90: tuple[int, int] | None
    follicles_estimate: int | None
    stage: str | None
    review_flags: int | None
    severity: str | None = None
    confidence: float | None = None
    stage_probability: float | None = None
    shown: int | None = None

    def document(self) -> dict[str, Any]:
        return asdict(self)


def compare_counts(truth: Mapping[str, AnimalTruth], results: Iterable[Mapping[str, Any]]) -> list[CountComparison]:
    """A row for each animal of the ground truth, in its order. Each animal has one exam."""
    by_animal = {result["animal"]: result for result in results}
    return [_comparison(animal, known, by_animal.get(animal)) for animal, known in truth.items()]


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


def _comparison(animal: str, truth: AnimalTruth, result: Mapping[str, Any] | None) -> CountComparison:
    return CountComparison(
        animal=animal,
        species=truth.species,
        carried=truth.carried.shelled,
        crossed=truth.crossed.shelled,
        follicles_crossed=truth.crossed.follicles,
        stage_crossed=truth.crossed.overall_stage,
        at_least=None if result is None else result["shelled"]["at_least"],
        estimate=None if result is None else result["shelled"]["estimate"],
        interval90=None if result is None else (result["shelled"]["interval90"][0], result["shelled"]["interval90"][1]),
        follicles_estimate=None if result is None else result["follicles"]["estimate"],
        stage=None if result is None else result["stage"]["overall"],
        review_flags=None if result is None else sum(flag["severity"] != "note" for flag in result["flags"]),
        # The flags of a result are in order of urgency.
        severity=next((flag["severity"] for flag in result["flags"]), None) if result else None,
        confidence=None if result is None else result["confidence"],
        stage_probability=None if result is None else result["stage"]["probability"],
        shown=None if truth.shown is None else truth.shown.shelled,
    )


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
