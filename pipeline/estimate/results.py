"""What the program says of one exam: the values behind ``result.json`` and the sheet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

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
    "Stage",
    "Visit",
]

Stage = Literal["follicle", "thin-shelled", "calcified"]
Severity = Literal["vet today", "check", "note"]


@dataclass(frozen=True)
class Count:
    """How many.

    at_least : a bound that holds if every detection is right
    interval90 : lowest and highest likely number, both included
    chances : probability that she carries 0, 1, 2, ...; empty where it is not known
    """

    at_least: int
    estimate: int
    interval90: tuple[int, int]
    chances: tuple[float, ...] = ()


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
class EggSigns:
    """What a person can check on the picture, against the tissue beside the egg; None where it could not be told.

    rim_db : brightness of the near wall;  rim_mm : its thickness as the screen shows it, blur included
    shadow_db : how much darker it is behind the egg, below 0 where it is brighter
    interior_db : brightness inside;  interior : its pattern in words
    rim_at_least, shadow_at_least : the screen was as white, or as black, as it gets
    shown_range_db : dB that the screen is taken to show from black to white;  frames : how many were read
    grey : the same as read off the screen, by the names of `pipeline.detect.shell_signs.ShellSigns`
    """

    rim_db: float | None
    rim_at_least: bool
    rim_mm: float | None
    shadow_db: float | None
    shadow_at_least: bool
    interior_db: float | None
    interior: str
    shown_range_db: float
    frames: int
    grey: Mapping[str, float | None]


@dataclass(frozen=True)
class EggFinding:
    """One distinct object. Sizes and depth in mm, None where no scale is known.

    confidence : probability that it is a real object of its own
    shape : "round", "oval" or "cannot tell";  oval_probability : of being oval rather than round
    length_mm, width_mm : of the whole egg, not of a section;  the intervals hold them with nine chances in ten
    depth_mm : from the probe's face to the centre, in the best sighting
    stages, network_stages : probabilities of follicle, thin-shelled, calcified; the latter by the network alone
    signs : None where the picture could not be read
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
class Flag:
    """A reason why a person should look.

    code : short, hyphenated;  reason : what was seen, a sentence;  advice : what a person might do about it
    """

    code: str
    severity: Severity
    reason: str
    advice: str = ""


@dataclass(frozen=True)
class Visit:
    """One exam of an animal as her other exams see it.

    is_scanned : whether anything could be used; if not, its counts tell nothing
    listed : numbers of follicles, thin-shelled and calcified eggs on its sheet
    passed_before : eggs known to have been laid before it, as exam.toml tells
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
    """Eggs known to have left her. is_whole : whether all that is known to have left was also counted"""

    number: int
    is_whole: bool = True


@dataclass(frozen=True)
class Difference:
    """A number and its 90 % interval, both ends included; may be negative."""

    estimate: int
    interval90: tuple[int, int]


@dataclass(frozen=True)
class Change:
    """This exam against the last one before it that could be used.

    fewer, fewer_follicles : then less now;  passed : known to have left her between
    The rest are probabilities: that more shelled eggs are gone than are known to have left (``missing``), that there
    are more than what was left of them and all follicles of then could make (``risen``), that there are more
    follicles (``new_follicles``), and that follicles are gone which have not become eggs (``regressed``).
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
    """What her exams say together.

    visits : by date, the last one is this exam;  passed : what is known to have left her before each of them and
    since the one before it
    change : None where there is nothing to compare with
    passed_of_clutch : eggs of the clutch she carries that are known to have left her before this exam
    together : these and the shelled ones carried now;  usual_clutch : what is known of the species
    shells_since : the first exam that showed shells of this clutch, None where none does;  retention : days, of the
    species, from ovulation to laying
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
    flags
        The reasons why a person should check the exam.
    eggs
        Every listed egg and follicle.
    history
        This exam compared with the animal's earlier exams.
    """

    shelled: Count
    follicles: Count
    stage: str
    stage_probability: float
    confidence: float
    flags: tuple[Flag, ...]
    eggs: tuple[EggFinding, ...]
    history: History = History()

    @property
    def error_probability(self) -> float:
        """Probability that the count is off by more than one or the stage is another one, were the two independent."""
        return 1 - self.confidence * self.stage_probability
