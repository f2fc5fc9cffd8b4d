"""What a weights file says of its own training."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.formatting import plural

__all__ = ["learned_from_notes", "timed_notes"]


def timed_notes(training: str, *, steps: int, pictures: int, device: str) -> dict[str, str]:
    """The notes of a training for a given time, for the file's metadata. training : its settings as JSON"""
    return {"training": training, "steps": str(steps), "pictures": str(pictures), "device": device}


def learned_from_notes(weights: Path) -> str:
    """A phrase: minutes, steps and pictures of a training for a given time; of another one its last run.

    "" where the file says neither. Raises OSError and safetensors' own errors for a file that cannot be read.
    """
    from safetensors import safe_open

    with safe_open(weights, "np") as file:
        notes: dict[str, str] = file.metadata() or {}
    if "training" in notes:
        minutes = json.loads(notes["training"])["minutes"]
        device = "a GPU" if notes["device"] == "cuda" else "a CPU"
        return (
            f"{minutes:g} minute{'' if minutes == 1 else 's'} of {device}: {int(notes['pictures']):,} pictures in "
            f"{plural(int(notes['steps']), 'step')}, from random weights"
        )
    if "settings" not in notes:
        return ""
    run = json.loads(notes["settings"])
    start = "after other runs" if "started_from" in notes else "from random weights"
    return f"{run['steps'] * run['batch']:,} pictures in {plural(run['steps'], 'step')}, {start}"
