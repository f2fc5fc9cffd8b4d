"""What the flags of one exam are decided on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.estimate.counts import CountEstimate
from pipeline.estimate.results import EggFinding, History, Stage
from pipeline.exams.species import SpeciesProfile
from pipeline.scan.coverage import ClipCoverage

__all__ = ["FlagInputs", "RaisedFlags"]

RaisedFlags = Iterator[tuple[str, dict[str, object]]]
"""Codes of the catalogue with the values of their places."""


@dataclass(frozen=True)
class FlagInputs:
    """stage, stage_probability : of the whole clutch
    eggs : listed ones, follicles among them;  crossing_outlines : numbers of those whose outlines run into each other
    doubtful_places : where objects too unsure to be counted were followed, in words
    files_without_scale : files of usable clips without a scale;  probe_turned : whether a hand was seen to come back in one of them
    species : as told, None if not;  profile : what is known of it, None if nothing
    """

    shelled: CountEstimate
    follicles: CountEstimate
    coverage: Sequence[ClipCoverage]
    stage: str
    stage_probability: float
    eggs: Sequence[EggFinding]
    crossing_outlines: Sequence[tuple[int, int]]
    doubtful_places: Sequence[str]
    files_without_scale: Sequence[str]
    probe_turned: bool
    species: str | None
    profile: SpeciesProfile | None
    history: History

    @property
    def stages(self) -> list[Stage]:
        """Those among the eggs, in order of growth."""
        order: tuple[Stage, ...] = ("follicle", "thin-shelled", "calcified")
        return [stage for stage in order if any(egg.stage == stage for egg in self.eggs)]
