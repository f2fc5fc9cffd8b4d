"""Ground truth and estimate for each animal of a data set.

Only objects that a sweep crossed can be counted (see `pipeline.bench.animal_truth.AnimalTruth`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from pipeline.bench.animal_truth import AnimalTruth
from pipeline.estimate.results import ExamFinding

__all__ = ["CountComparison", "compare_counts", "compare_finding", "comparison_table"]

_LEGEND = (
    "shelled: eggs with a shell in the animal; crossed: those of them that a sweep crossed; "
    "follicles: those that a sweep crossed"
)


@dataclass(frozen=True)
class CountComparison:
    """The ground truth and the estimate of one animal. The fields of the estimate are None where there is no result.

    carried, crossed : shelled eggs in the animal, and those that a sweep crossed
    follicles_carried, follicles_crossed : follicles likewise
    shown : shelled eggs that a sweep showed at all, including the crossed ones; None if unknown
    at_least, estimate : of the shelled eggs;  follicles_at_least, follicles_estimate : of the follicles
    interval90, follicles_interval90 : of each estimate, lowest and highest number, both included
    review_flags : number of flags that ask for a person, "vet today" and "check"
    severity : of the most urgent flag, which is the first, None without any;  confidence, stage_probability : as stated
    """

    animal: str
    species: str | None
    carried: int
    crossed: int
    follicles_carried: int
    follicles_crossed: int
    stage_crossed: str
    at_least: int | None = None
    estimate: int | None = None
    interval90: tuple[int, int] | None = None
    follicles_at_least: int | None = None
    follicles_estimate: int | None = None
    follicles_interval90: tuple[int, int] | None = None
    stage: str | None = None
    review_flags: int | None = None
    severity: str | None = None
    confidence: float | None = None
    stage_probability: float | None = None
    shown: int | None = None

    def document(self) -> dict[str, Any]:
        return asdict(self)


def compare_counts(truth: Mapping[str, AnimalTruth], results: Iterable[Mapping[str, Any]]) -> list[CountComparison]:
    """A row for each animal of the ground truth, in its order. Each animal has one exam."""
    by_animal = {result["animal"]: result for result in results}
    return [_with_result(_without_result(animal, known), by_animal.get(animal)) for animal, known in truth.items()]


def compare_finding(animal: str, truth: AnimalTruth, finding: ExamFinding) -> CountComparison:
    """The row of an animal whose estimate is in memory; the same as from its ``result.json``."""
    return replace(
        _without_result(animal, truth),
        at_least=finding.shelled.at_least,
        estimate=finding.shelled.estimate,
        interval90=finding.shelled.interval90,
        follicles_at_least=finding.follicles.at_least,
        follicles_estimate=finding.follicles.estimate,
        follicles_interval90=finding.follicles.interval90,
        stage=finding.stage,
        review_flags=sum(flag.severity != "note" for flag in finding.flags),
        severity=finding.flags[0].severity if finding.flags else None,
        confidence=finding.confidence,
        stage_probability=finding.stage_probability,
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


def _without_result(animal: str, truth: AnimalTruth) -> CountComparison:
    return CountComparison(
        animal=animal,
        species=truth.species,
        carried=truth.carried.shelled,
        crossed=truth.crossed.shelled,
        follicles_carried=truth.carried.follicles,
        follicles_crossed=truth.crossed.follicles,
        stage_crossed=truth.crossed.overall_stage,
        shown=None if truth.shown is None else truth.shown.shelled,
    )


def _with_result(row: CountComparison, result: Mapping[str, Any] | None) -> CountComparison:
    if result is None:
        return row
    shelled, follicles, flags = result["shelled"], result["follicles"], result["flags"]
    return replace(
        row,
        at_least=shelled["at_least"],
        estimate=shelled["estimate"],
        interval90=(shelled["interval90"][0], shelled["interval90"][1]),
        follicles_at_least=follicles["at_least"],
        follicles_estimate=follicles["estimate"],
        follicles_interval90=(follicles["interval90"][0], follicles["interval90"][1]),
        stage=result["stage"]["overall"],
        review_flags=sum(flag["severity"] != "note" for flag in flags),
        severity=flags[0]["severity"] if flags else None,
        confidence=result["confidence"],
        stage_probability=result["stage"]["probability"],
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
