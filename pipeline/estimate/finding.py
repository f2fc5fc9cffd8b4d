"""What the program says of one exam: the values behind ``result.json`` and the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Count", "EggFinding", "ExamFinding", "Flag", "Severity", "Sighting", "Stage"]

Stage = Literal["follicle", "thin-shelled", "calcified"]
Severity = Literal["vet today", "check", "note"]


@dataclass(frozen=True)
class Count:
    """How many.

    at_least : a bound that holds if every detection is right
    interval90 : lowest and highest likely number, both included
    """

    at_least: int
    estimate: int
    interval90: tuple[int, int]


@dataclass(frozen=True)
class Sighting:
    """Where one egg was in view: frames of a clip, from 0, both ends included.

    track : the track's identity in the clip.
    """

    clip: str
    track: int
    first_frame: int
    last_frame: int
    best_frame: int


@dataclass(frozen=True)
class EggFinding:
    """One distinct object. Sizes and depth in mm, None where no scale is known.

    confidence : probability that it is a real object of its own
    shape : "round", "oval" or "cannot tell"
    depth_mm : from the probe's face to the centre, in the best sighting
    """

    identity: int
    stage: Stage
    stage_probability: float
    confidence: float
    shape: Literal["round", "oval", "cannot tell"]
    length_mm: float | None
    width_mm: float | None
    depth_mm: float | None
    sightings: tuple[Sighting, ...]


@dataclass(frozen=True)
class Flag:
    """A reason why a person should look. code : short, hyphenated;  reason : a sentence for the sheet."""

    code: str
    severity: Severity
    reason: str


@dataclass(frozen=True)
class ExamFinding:
    """The estimate for one exam.

    stage : "follicle", "thin-shelled", "calcified", "mixed" or "none seen"; stage_probability of it
    confidence : probability that the shelled estimate is within one egg of the number the sweeps crossed
    """

    shelled: Count
    follicles: Count
    stage: str
    stage_probability: float
    confidence: float
    flags: tuple[Flag, ...]
    eggs: tuple[EggFinding, ...]
