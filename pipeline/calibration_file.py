"""The file with the calibration of one network.

A calibration is valid only for the network it was learned for. ``NAME.calibration.toml`` is next to
``NAME.safetensors`` and names the SHA-256 of those weights. ``clutchlight calibrate`` writes it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from configs.reading import read_toml
from models.errors import ClutchlightError
from models.weights_file import shipped_weights, weights_sha256
from pipeline.calibration_tables import Calibration

__all__ = [
    "CALIBRATION_SUFFIX",
    "UNCALIBRATED_WARNING",
    "CalibrationError",
    "calibration_path",
    "calibration_toml",
    "load_calibration",
    "shipped_calibration",
]

CALIBRATION_SUFFIX = ".calibration.toml"
UNCALIBRATED_WARNING = (
    "The network in use has no calibration of its own, so that of the shipped network is used. Counts, stages and "
    "sizes may be wrong, and so may their probabilities and intervals. Learn a calibration with clutchlight calibrate."
)


class CalibrationError(ClutchlightError):
    """A network without a calibration of its own."""


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
