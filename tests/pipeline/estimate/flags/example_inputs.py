"""An exam that raises no flag, and its parts, for tests that change one thing at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.stages import Stage
from pipeline.calibration_tables import ConfidenceCalibration
from pipeline.estimate.candidates import CandidatePosterior
from pipeline.estimate.counts import CountEstimate, estimate_count
from pipeline.estimate.flags import FlagInputs
from pipeline.estimate.results import EggFinding, History
from pipeline.exams.species import load_profiles
from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.scan.coverage import ClipCoverage
from pipeline.settings import load_settings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass, poisson_binomial
from pipeline.track.merging.merge import Egg, EggTrack
from tests.pipeline.estimate.known_detection_rate import missed_at_rate

SETTINGS = load_settings()
PROFILES = load_profiles()
LEFT = ClipCoverage("left-1.mp4", "left", "done", None, 300, 280)
RIGHT = ClipCoverage("right-1.mp4", "right", "done", None, 300, 280)
REFUSED = ClipCoverage("left-2.mp4", "left", "refused", "it ends after 12 bytes.", 0, 0)
LOST = replace(LEFT, frames_used=100, quality=ClipQuality((("no contact", 190), ("too fast", 10)), (0.1, 0.8)))
WITHIN_ONE_75 = CountDistribution(-2, np.array([0.25, 0.05, 0.7]))  # within one with a probability of 0.75
WIDE = CountDistribution(-7, np.full(8, 1 / 8))


def counted(
    left: int = 0,
    right: int = 0,
    *,
    existence: float = 0.99,
    correction: CountDistribution | None = None,
    rate: float = 0.999,
    has_repeat_passes: bool = True,
) -> CountEstimate:
    """The count of so many eggs seen from the left and from the right, with an uncalibrated confidence.

    correction : distinct objects minus listed ones;  rate : at which crossed eggs are found
    """
    files = ["left-1.mp4"] * left + ["right-1.mp4"] * right
    eggs = tuple(
        Egg(k, (EggTrack(file, k),), existence, np.array([0.02, 0.03, 0.95]), 0.9) for k, file in enumerate(files, 1)
    )
    probabilities = np.full(len(eggs), existence)
    return estimate_count(
        eggs,
        CandidatePosterior(poisson_binomial(probabilities.tolist()), probabilities),
        correction or point_mass(0),
        replace(missed_at_rate(rate), has_repeat_passes=has_repeat_passes),
        shelled=True,
        at_least=0,
        learned=SETTINGS.calibration.counts.shelled.model_copy(
            update={
                "inverse_temperature": 1.0,
                "interval_probability": 0.9,
                "interval_probability_if_none": 0.9,
                "confidence": ConfidenceCalibration(intercept=0.0, slope=1.0),
            }
        ),
        settings=SETTINGS.estimate,
        both_windows=True,
    )


def egg(
    number: int,
    length_mm: float | None = 34.0,
    width_mm: float | None = 20.0,
    *,
    stage: Stage = "calcified",
    is_oval: bool = True,
) -> EggFinding:
    return EggFinding(number, stage, 0.97, 0.98, "oval" if is_oval else "round", length_mm, width_mm, 30.0, ())


UNREMARKABLE = FlagInputs(
    shelled=counted(3, 3),
    follicles=counted(),
    coverage=(LEFT, RIGHT),
    stage="calcified",
    stage_probability=0.97,
    eggs=(),
    crossing_outlines=(),
    doubtful_objects=(),
    files_without_scale=(),
    files_with_unclear_motion=(),
    probe_turned=False,
    species="Emys orbicularis",
    profile=PROFILES["emys-orbicularis"],
    history=History(),
)
