"""What was learned of counting, as a TOML file that tells where it comes from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.settings import CountCalibrations

__all__ = ["count_calibration_toml"]

_MEANING = {
    "false_tracks_per_clip": "tracks that come with a clip and are none of these, but look so",
    "inverse_temperature": "power to which the odds of numbers are raised; below 1 the model alone is too sure of itself",
    "interval_probability": "probability of the central interval that then holds in nine of ten animals",
    "slope": "for each log-odds that the distribution of numbers gives to being within one",
    "intercept": "log-odds (likelihood ratio: at even scores; detection rate: at the reference size and depth)",
    "score": "for each log-odds of a track's mean score",
    "upper_score": "for each log-odds of the score that the best fifth of its frames reach",
    "kind": "for each log-odds of its being shelled, or a follicle",
    "size_similarity": "for each square of 0.15, to 4, by which the log of its size is unlike the exam's usual, times -1",
    "size_slope": "for each natural logarithm of the mean semi-axis",
    "depth_slope": "for each depth of the picture",
    "reference_log_size": "natural logarithm of the usual mean semi-axis, as a share of the picture's depth",
    "reference_depth": "share of the picture's depth",
    "exam_sd": "log-odds; standard deviation from exam to exam",
}


def count_calibration_toml(learned: CountCalibrations, *, command: str, animals: int, network: str) -> str:
    """command : that made it, with the data sets by name;  network : SHA-256 of its weights"""
    head = [
        "# How far the counts can be trusted, learned on phantoms; made by a command, not by hand.",
        f"# {command}",
        f"# {animals} animals, network {network}",
    ]
    return "\n".join([*head, *_table("counting", learned.model_dump()), ""])


def _table(name: str, content: Mapping[str, Any]) -> Iterator[str]:
    values = {key: value for key, value in content.items() if not isinstance(value, Mapping)}
    if values:
        yield f"\n[{name}]"
    for key, value in values.items():
        yield f"{f'{key} = {value:.4g}':<24}# {_MEANING[key]}"
    for key, value in content.items():
        if isinstance(value, Mapping):
            yield from _table(f"{name}.{key}", value)
