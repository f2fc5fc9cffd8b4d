"""What the calibration of one network holds: tables of its file, ``NAME.calibration.toml``."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import Field

from configs.tables import Positive, Probability, Share, TomlTable

__all__ = [
    "Calibration",
    "ConfidenceCalibration",
    "CountCalibration",
    "CountCalibrations",
    "DetectionRate",
    "KindSign",
    "KindWeights",
    "LikelihoodWeights",
    "NetworkCalibration",
    "OutlineCalibration",
    "OutlineErrorModel",
    "StageFeature",
    "StageFeatures",
]

Weight = Annotated[float, Field(ge=-100.0, le=100.0)]
FeatureWeight = Annotated[float, Field(ge=0.0, le=100.0)]
Temperature = Annotated[float, Field(ge=0.1, le=10.0)]


class StageFeature(TomlTable):
    """One sign of the stage model.

    low, high : the range that was learned from, to which values are clipped;  mean, sd : for standardising
    weights : for follicle, thin-shelled, calcified
    """

    low: float
    high: float
    mean: float
    sd: Positive
    weights: tuple[float, float, float]


class StageFeatures(TomlTable):
    """Signs that the stage model uses, in grey levels."""

    rim: StageFeature
    shadow: StageFeature
    interior: StageFeature
    middle: StageFeature
    unevenness: StageFeature


class OutlineErrorModel(TomlTable):
    """Errors of outlines, in log units (`pipeline.estimate.egg_size_model`).

    passages : number of passages through the middle of an egg that this was learned from
    """

    passages: Annotated[int, Field(ge=0)]
    width_bias: Annotated[float, Field(ge=-0.5, le=0.5)]
    width_error: Annotated[float, Field(ge=0.005, le=0.5)]
    ratio_error: Annotated[float, Field(ge=0.005, le=0.5)]
    ratio_scale: Annotated[float, Field(ge=0.3, le=1.5)]


class OutlineCalibration(TomlTable):
    """Errors of the outlines of shelled eggs, whose wall is a bright line, and of follicles, which have no wall."""

    shelled: OutlineErrorModel
    follicles: OutlineErrorModel


class NetworkCalibration(TomlTable):
    """Calibration of the network's stages and outlines.

    eggs : number of eggs it was learned from;  shares : of follicles, thin-shelled and calcified eggs among them
    network_temperature : for the stages by the network alone
    signs_temperature, bias : for the stages by the signs alone, whose weights are in ``feature``
    """

    eggs: Annotated[int, Field(ge=0)]
    shares: tuple[Probability, Probability, Probability]
    network_temperature: Temperature
    signs_temperature: Temperature
    bias: tuple[float, float, float]
    outline: OutlineCalibration
    feature: StageFeatures


class KindSign(TomlTable):
    """neutral : level at which the sign speaks for neither kind;  weight : log-odds for each grey level"""

    neutral: Annotated[float, Field(ge=-255.0, le=255.0)]
    weight: FeatureWeight


class KindWeights(TomlTable):
    """What the signs say about the kind of an object, follicle or shelled egg (`pipeline.estimate.kind_model`)."""

    interior: KindSign
    wall_all_round: KindSign
    shadow: KindSign


class LikelihoodWeights(TomlTable):
    """Weights of a track's features (`pipeline.estimate.track_features`) in the log-likelihood ratio of a real object.

    Against a false track. None is negative but the intercept, since every feature speaks for an object.
    """

    intercept: Weight
    score: FeatureWeight
    upper_score: FeatureWeight
    kind: FeatureWeight
    size_similarity: FeatureWeight
    rise_and_fall: FeatureWeight
    steady_place: FeatureWeight
    steady_shape: FeatureWeight
    inside: FeatureWeight
    wall: FeatureWeight
    step: FeatureWeight


class DetectionRate(TomlTable):
    """Log-odds that an object is found in a sweep that crosses it.

    intercept : at the reference size and depth;  exam_sd : standard deviation from exam to exam
    """

    intercept: Weight
    size_slope: Weight
    depth_slope: Weight
    reference_log_size: Weight
    reference_depth: Share
    exam_sd: Annotated[float, Field(ge=0.0, le=10.0)]


class ConfidenceCalibration(TomlTable):
    """Log-odds that the estimate is right, as a line over those that the distribution gives."""

    intercept: Weight
    slope: Positive


class CountCalibration(TomlTable):
    """Calibration of the counts of shelled eggs, or of follicles.

    false_tracks_per_clip : expected number
    inverse_temperature : power to which the odds of numbers are raised
    interval_probability : of the central interval of the distribution that contains the true count in 90 % of exams
    where something is counted;  interval_probability_if_none : the one for exams where nothing is, from all exams
    """

    false_tracks_per_clip: Annotated[float, Field(gt=0.0, le=100.0)]
    likelihood_weights: LikelihoodWeights
    detection_rate: DetectionRate
    confidence: ConfidenceCalibration
    inverse_temperature: Positive
    interval_probability: Probability
    interval_probability_if_none: Probability


class CountCalibrations(TomlTable):
    """Calibration of both counts. animals : number of animals it was learned from"""

    animals: Annotated[int, Field(ge=0)]
    shelled: CountCalibration
    follicles: CountCalibration

    def of(self, *, shelled: bool) -> CountCalibration:
        return self.shelled if shelled else self.follicles


class Calibration(TomlTable):
    """The calibration of one network.

    weights_sha256 : of its weights file;  command, date : what learned it, and when
    """

    weights_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    command: str
    date: dt.date
    network: NetworkCalibration
    kind: KindWeights
    counts: CountCalibrations
