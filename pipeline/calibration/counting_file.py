"""What was learned of counting, as a TOML file that tells where it comes from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.settings import CountingSettings

__all__ = ["counting_toml"]

_MEANING = {
    "look_alikes": "tracks that come with a clip and are none of these, but look so",
    "sharpness": "power to which the odds of numbers are raised; below 1 the model alone is too sure of itself",
    "interval": "probability of the central interval that then holds in nine of ten animals",
    "slope": "for each log-odds that the distribution of numbers gives to being within one",
    "base": "log-odds (look: log-likelihood ratio at even scores; finding: at the usual size and depth)",
    "score": "for each log-odds of a track's mean score",
    "best_score": "for each log-odds of the score that the best fifth of its frames reach",
    "kind": "for each log-odds of its being shelled, or a follicle",
    "alike": "for each square of 0.15, to 4, by which the log of its size is unlike the exam's usual, times -1",
    "size": "for each natural logarithm of the mean semi-axis",
    "depth": "for each depth of the picture",
    "usual_log_size": "natural logarithm of the usual mean semi-axis, as a share of the picture's depth",
    "usual_depth": "share of the picture's depth",
    "spread": "log-odds; standard deviation from exam to exam",
}


def counting_toml(learned: CountingSettings, *, command: str, animals: int, network: str) -> str:
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
