"""The estimate for one exam: the values behind ``result.json`` and the sheet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from models.stages import Stage
from pipeline.exams.species import ReferenceRange

__all__ = [
    "Change",
    "Count",
    "Difference",
    "EggFinding",
    "EggSigns",
    "ExamFinding",
    "Flag",
    "History",
    "PassedEggs",
    "Severity",
    "Sighting",
    "UncountedObject",
    "Visit",
]

Severity = Literal["vet today", "check", "note"]


@dataclass(frozen=True)
class Count:
    """A count with its uncertainty.

    at_least : lower bound, correct if every detection is
    interval90 : 90 % confidence interval, both ends included
    chances : probability that she carries 0, 1, 2, ...; empty if unknown
    """

    at_least: int
    estimate: int
    interval90: tuple[int, int]
    chances: tuple[float, ...] = ()


@dataclass(frozen=True)
class Sighting:
    """The frames of one clip that show an egg, numbered from 0, both ends included.

    track : identity of the track in the clip
    """

    clip: str
    track: int
    first_frame: int
    last_frame: int
    best_frame: int


@dataclass(frozen=True)
class EggSigns:
    """Signs of a shell that a person can check on the picture, relative to the tissue next to the egg.

    A value is None where it could not be measured.

    rim_db : brightness of the near wall;  rim_mm : its thickness on the screen, blur included
    shadow_db : how much darker it is behind the egg, negative where it is brighter
    interior_db : brightness inside;  interior : its pattern in words
    shell : what wall, shadow and yolk look like together if it has a shell, in words; empty without rim_db
    rim_at_least, shadow_at_least : the value is a lower bound, because the screen was fully white, or fully black
    shown_range_db : assumed dynamic range of the screen, from black to white;  frames : number of frames measured
    grey : the same signs in grey levels, keyed by the fields of `pipeline.detect.shell_signs.ShellSigns`
    """

    rim_db: float | None
    rim_at_least: bool
    rim_mm: float | None
    shadow_db: float | None
    shadow_at_least: bool
    interior_db: float | None
    interior: str
    shell: str
    shown_range_db: float
    frames: int
    grey: Mapping[str, float | None]


@dataclass(frozen=True)
class EggFinding:
    """One distinct egg or follicle. Sizes and depth are in mm, None without a scale.

    confidence : probability that it is real and not counted twice
    shape : "round", "oval" or "cannot tell";  oval_probability : probability that it is oval rather than round
    length_mm, width_mm : of the whole egg, not of a section, each with its 90 % interval
    depth_mm : from the probe's face to the centre, in the best sighting
    stages, network_stages : probabilities in the order of `models.stages.STAGES`, from all evidence and from the
    network alone
    signs : None where the picture could not be measured
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
    length_interval90_mm: tuple[float, float] | None = None
    width_interval90_mm: tuple[float, float] | None = None
    oval_probability: float | None = None
    stages: tuple[float, float, float] | None = None
    network_stages: tuple[float, float, float] | None = None
    signs: EggSigns | None = None


@dataclass(frozen=True)
class UncountedObject:
    """Something that may be an egg or a follicle, but is not sure enough to be counted.

    identity : the number after those of the listed eggs that the review gives it
    confidence : probability that it is real
    """

    identity: int
    stage: Stage
    confidence: float
    sightings: tuple[Sighting, ...]


@dataclass(frozen=True)
class Flag:
    """A reason why a person should look at the exam.

    code : short, hyphenated;  reason : what was seen, as a sentence;  advice : what a person could do about it
    rescan : what to scan again and why, for whoever scans, as a sentence; empty where a new scan would not help
    sources : of the published values that the reason compares with, with their certainty
    eggs : numbers of the listed eggs that it is about
    """

    code: str
    severity: Severity
    reason: str
    advice: str = ""
    rescan: str = ""
    sources: str = ""
    eggs: tuple[int, ...] = ()

    @property
    def needs_rescan(self) -> bool:
        """Whether it alone is a reason to scan her again."""
        return bool(self.rescan) and self.severity != "note"


@dataclass(frozen=True)
class Visit:
    """What the later exams of an animal need to know of one exam.

    is_scanned : whether any clip could be used; if not, the counts carry no information
    listed : number of follicles, thin-shelled and calcified eggs on its sheet
    passed_before : eggs known to have been laid before it, from exam.toml
    """

    date: dt.date
    is_scanned: bool
    shelled: Count
    follicles: Count
    stage: str
    stage_probability: float
    listed: tuple[int, int, int]
    passed_before: int


@dataclass(frozen=True)
class PassedEggs:
    """Eggs known to have left the animal. is_whole : whether all of these were counted"""

    number: int
    is_whole: bool = True


@dataclass(frozen=True)
class Difference:
    """A difference of counts, possibly negative, and its 90 % interval, both ends included."""

    estimate: int
    interval90: tuple[int, int]


@dataclass(frozen=True)
class Change:
    """Change since the last earlier exam with a usable clip.

    fewer, fewer_follicles : earlier count minus this one;  passed : eggs known to have left her in between

    The rest are probabilities:
    missing : more shelled eggs are gone than are known to have left
    risen : there are more shelled eggs than the remaining ones and all the earlier follicles could account for
    new_follicles : there are more follicles
    regressed : follicles are gone that have not become eggs
    """

    since: dt.date
    days: int
    fewer: Difference
    fewer_follicles: Difference
    passed: PassedEggs
    missing: float
    risen: float
    new_follicles: float
    regressed: float


@dataclass(frozen=True)
class History:
    """All exams of an animal taken together.

    visits : sorted by date, this exam last
    passed : for each visit, the eggs known to have left her since the previous one
    change : None where there is nothing to compare with
    passed_of_clutch : eggs of the current clutch that are known to have left her before this exam
    together : these plus the shelled eggs carried now, None if this exam has no usable clip
    usual_clutch : reference range of the species
    shells_since : date of the first exam that showed shells of this clutch, None if none did
    retention : reference range of the species, days from ovulation to laying
    """

    visits: tuple[Visit, ...] = ()
    passed: tuple[PassedEggs, ...] = ()
    change: Change | None = None
    passed_of_clutch: PassedEggs = PassedEggs(0)
    together: Difference | None = None
    usual_clutch: ReferenceRange | None = None
    shells_since: dt.date | None = None
    retention: ReferenceRange | None = None

    @property
    def shell_days(self) -> int | None:
        """Days from the first exam that showed shells of this clutch to this one."""
        return None if self.shells_since is None else (self.visits[-1].date - self.shells_since).days


@dataclass(frozen=True)
class ExamFinding:
    """The estimate for one exam.

    Attributes
    ----------
    shelled, follicles
        How many shelled eggs, and follicles: a lower bound, an estimate and its 90 % interval.
    stage
        Of the clutch: "follicle", "thin-shelled", "calcified", "mixed" or "none seen".
    stage_probability
        The probability of that stage.
    confidence
        The probability that the shelled estimate is within one egg of the number that the sweeps crossed.
    follicles_confidence
        The probability that the estimate of follicles is within two, or a quarter, of the number that they crossed.
    flags
        The reasons why a person should check the exam.
    eggs
        Every listed egg and follicle.
    history
        This exam compared with the animal's earlier exams.
    uncounted
        What may be an egg or a follicle but is not counted: a person decides.
    """

    shelled: Count
    follicles: Count
    stage: str
    stage_probability: float
    confidence: float
    flags: tuple[Flag, ...]
    eggs: tuple[EggFinding, ...]
    history: History = History()
    follicles_confidence: float = 0.0
    uncounted: tuple[UncountedObject, ...] = ()

    @property
    def error_probability(self) -> float:
        """Probability that the count is off by more than one or the stage is wrong, if the two are independent."""
        return 1 - self.confidence * self.stage_probability
