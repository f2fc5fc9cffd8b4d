"""The calibration of one network, and its file.

A calibration is valid only for the network it was learned for. ``NAME.calibration.toml`` is next to
``NAME.safetensors`` and names the SHA-256 of those weights. ``clutchlight calibrate`` writes it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from configs.reading import read_toml
from configs.tables import Positive, Probability, Share, TomlTable
from models.errors import ClutchlightError
from models.weights_file import shipped_weights, weights_sha256

__all__ = [
    "CALIBRATION_SUFFIX",
    "UNCALIBRATED_WARNING",
    "Calibration",
    "CalibrationError",
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
    "calibration_path",
    "calibration_toml",
    "load_calibration",
    "shipped_calibration",
]

Weight = Annotated[float, Field(ge=-100.0, le=100.0)]
FeatureWeight = Annotated[float, Field(ge=0.0, le=100.0)]
Temperature = Annotated[float, Field(ge=0.1, le=10.0)]

CALIBRATION_SUFFIX = ".calibration.toml"
UNCALIBRATED_WARNING = (
    "The network in use has no calibration of its own, so that of the shipped network is used. Counts, stages and "
    "sizes may be wrong, and so may their probabilities and intervals. Learn a calibration with clutchlight calibrate."
)


class CalibrationError(ClutchlightError):
    """A network without a calibration of its own."""


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


def calibration_path(weights: Path) -> Path:
    """The path of the calibration of a weights file: ``own.calibration.toml`` next to ``own.safetensors``."""
    return weights.with_suffix(CALIBRATION_SUFFIX)


def shipped_calibration() -> Calibration:
    """The calibration of the shipped network. Raises ConfigError if the installation lacks it."""
    return read_toml(calibration_path(shipped_weights()), Calibration)


def load_calibration(weights: Path) -> Calibration:
    """The calibration next to a weights file.

    Raises CalibrationError where there is none or it was learned for other weights, ConfigError where it is damaged,
    WeightsError where the weights cannot be read.
    """
    path = calibration_path(weights)
    sha256 = weights_sha256(weights)
    if not path.is_file():
        raise _uncalibrated(weights, f"{path} is missing")
    calibration = read_toml(path, Calibration)
    if calibration.weights_sha256 != sha256:
        raise _uncalibrated(weights, f"{path} was learned for other weights")
    return calibration


def _uncalibrated(weights: Path, reason: str) -> CalibrationError:
    return CalibrationError(
        f"{weights} has no calibration of its own: {reason}. Counts, stages, sizes and their probabilities depend on "
        f"it. Learn one with\n"
        f"    clutchlight calibrate DATASET --weights {weights} --results DIR --out {calibration_path(weights)}\n"
        f"or give --allow-uncalibrated to use the calibration of the shipped network; every sheet then carries a flag."
    )


# Comments of the keys in the file.
_COMMENTS = {
    "shares": "of follicles, thin-shelled and calcified eggs among them",
    "network_temperature": "by which the network's log-probabilities of the stages are divided",
    "signs_temperature": "by which the logits of the stages by the signs are divided",
    "bias": "logits of follicle, thin-shelled, calcified by the signs",
    "passages": "passages through the middle of an egg that this was learned from",
    "width_bias": "log units",
    "width_error": "log units, standard deviation",
    "ratio_error": "log units, standard deviation of length by width",
    "ratio_scale": "measured logarithm of length by width, as a share of the true one",
    "low": "grey levels; lower values are raised to this, and are unlike what was learned from",
    "high": "grey levels; higher values are lowered to this, and are unlike what was learned from",
    "weights": "logits of follicle, thin-shelled, calcified for each standard deviation",
    "false_tracks_per_clip": "expected tracks that look like one of these and show something else",
    "inverse_temperature": "power to which the odds of numbers are raised; below 1 the model alone is overconfident",
    "interval_probability": "of the central interval that holds in 90 % of exams with a count above 0",
    "interval_probability_if_none": "of the one that holds in 90 % of all exams, for those with a count of 0",
    "neutral": "grey levels, in the sense that is larger in follicles; for neither kind",
    "weight": "log-odds of a follicle for each grey level",
    "score": "for each log-odds of the mean score of a track",
    "upper_score": "for each log-odds of the score that the best fifth of its frames reach",
    "kind": "for each log-odds of being of this kind (shelled or follicle)",
    "size_similarity": "for each -min(4, (log(size / median size in the exam) / 0.15)^2)",
    "rise_and_fall": "for ends of the track as much smaller than its largest section as that is large",
    "steady_place": "for each radius that the section slides less",
    "steady_shape": "for each log unit of less variation of the section's axes",
    "inside": "for each 10 grey levels that the inside is darker, of a follicle brighter, than what lies around",
    "wall": "for each 10 grey levels that a wall stands out all round, of a follicle that none does",
    "step": "for each 10 grey levels between inside and outside, all round",
    "size_slope": "log-odds for each natural logarithm of the mean semi-axis",
    "depth_slope": "log-odds for each depth of the picture",
    "reference_log_size": "natural logarithm of the mean semi-axis as a share of the picture's depth",
    "reference_depth": "share of the picture's depth",
    "exam_sd": "log-odds; standard deviation from exam to exam",
    "slope": "for each log-odds, by the distribution of numbers, of being right",
    "intercept": "log-odds",
}
_COMMENT_COLUMN = 44


def calibration_toml(calibration: Calibration) -> str:
    """The file's text."""
    head = [
        "# Calibration of one network, written by the command below; not to be edited by hand.",
        "# [network]: pipeline/estimate/stage_model.py and egg_size_model.py. [counts]: pipeline/estimate/counts.py.",
        "",
    ]
    return "\n".join([*head, *_lines("", calibration.model_dump()), ""])


def _lines(table: str, content: Mapping[str, Any]) -> Iterator[str]:
    for key, value in content.items():
        if not isinstance(value, Mapping):
            assignment, comment = f"{key} = {_toml(value)}", _COMMENTS.get(key)
            yield f"{assignment:<{_COMMENT_COLUMN - 1}} # {comment}" if comment else assignment
    for key, value in content.items():
        if isinstance(value, Mapping):
            name = f"{table}.{key}" if table else key
            if not all(isinstance(inner, Mapping) for inner in value.values()):
                yield f"\n[{name}]"
            yield from _lines(name, value)


def _toml(value: object) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return str(value)
