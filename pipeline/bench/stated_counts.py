"""What a method states about the eggs and follicles of one animal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.estimate.results import ExamFinding

__all__ = ["StatedCounts", "counts_of_finding", "counts_of_result"]


@dataclass(frozen=True, kw_only=True)
class StatedCounts:
    """What is stated about one animal; None where the method does not say.

    at_least, estimate : of the shelled eggs;  follicles_at_least, follicles_estimate : of the follicles
    interval90, follicles_interval90 : of each estimate, lowest and highest number, both included
    stage : of all objects
    review_flags : number of flags that ask for a person, "vet today" and "check"
    severity : of the most urgent flag, which is the first, None without any;  confidence, stage_probability : as stated
    """

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


def counts_of_result(result: Mapping[str, Any]) -> StatedCounts:
    """What a ``result.json`` states."""
    shelled, follicles, flags = result["shelled"], result["follicles"], result["flags"]
    return StatedCounts(
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


def counts_of_finding(finding: ExamFinding) -> StatedCounts:
    """What an estimate in memory states; the same as its ``result.json``."""
    return StatedCounts(
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
