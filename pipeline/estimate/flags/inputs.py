"""What the flags of one exam are decided on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.stages import STAGES, Stage
from pipeline.estimate.counts import CountEstimate
from pipeline.estimate.results import EggFinding, History, Sighting
from pipeline.exams.species import SpeciesProfile
from pipeline.scan.coverage import ClipCoverage

__all__ = ["FlagInputs"]


@dataclass(frozen=True)
class FlagInputs:
    """stage, stage_probability : of the clutch as a whole
    eggs : those listed, including follicles;  crossing_outlines : pairs of their numbers whose outlines cross
    doubtful_objects : sightings of each object that was too uncertain to be counted
    files_without_scale : usable clips without a scale
    files_with_unclear_motion : usable clips whose pictures leave open where the hand turned back
    probe_turned : whether a sweep in one of the usable clips went there and back
    species : None if unknown;  profile : None if there is none for the species
    """

    shelled: CountEstimate
    follicles: CountEstimate
    coverage: Sequence[ClipCoverage]
    stage: str
    stage_probability: float
    eggs: Sequence[EggFinding]
    crossing_outlines: Sequence[tuple[int, int]]
    doubtful_objects: Sequence[Sequence[Sighting]]
    files_without_scale: Sequence[str]
    files_with_unclear_motion: Sequence[str]
    probe_turned: bool
    species: str | None
    profile: SpeciesProfile | None
    history: History

    @property
    def stages(self) -> list[Stage]:
        """The stages of the listed eggs, in order of growth."""
        return [stage for stage in STAGES if any(egg.stage == stage for egg in self.eggs)]
