"""The data card, ``README.md``: the front matter of Hugging Face for searches, then what a reader needs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from models.stages import STAGES
from pipeline.bench.export.description import LICENCE, DataSetDescription

__all__ = ["data_card"]


def data_card(described: DataSetDescription, form: str, format_text: str, splits: Mapping[str, int]) -> str:
    """The card. form, format_text : name of the format, and what a reader must know of it
    splits : number of pictures by name; empty where the format has none
    """
    return "\n".join(_lines(described, form, format_text, splits))


def _lines(described: DataSetDescription, form: str, format_text: str, splits: Mapping[str, int]) -> Iterator[str]:
    yield "---"
    yield f"pretty_name: {json.dumps(described.title)}"
    if described.is_simulated:
        yield f"license: {LICENCE}"
    yield "task_categories:\n- object-detection\ntags:\n- ultrasound\n---\n"
    yield f"# {described.title}\n"
    yield f"{described.summary}\n"
    if splits:
        numbers = ", ".join(f"{number:,} in `{split}`" for split, number in splits.items())
        yield f"Pictures: {numbers}. No animal is in both.\n"
    yield f"## Format: {form}\n"
    yield f"{format_text.strip()}\n"
    yield "Stages, from 0 here; a format that counts categories from 1 adds one:\n"
    yield from (f"- {number}: {stage}" for number, stage in enumerate(STAGES))
    yield "\n## What to keep in mind\n"
    yield from (f"- {sentence}" for sentence in described.limits)
    if described.worlds:
        yield "\n## Worlds\n"
        yield "| part of the world | animals |\n| --- | --- |"
        yield from (f"| {name} | {number} |" for name, number in described.worlds.items())
    if described.definition:
        name = described.definition["name"]
        yield "\n## Made again\n"
        yield f"`clutchlight bench make {name} DIR` films the same clips anywhere, and checks them. It is defined by"
        yield f"\n```json\n{json.dumps(dict(described.definition), indent=2)}\n```"
    yield ""
