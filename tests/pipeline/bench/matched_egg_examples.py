"""Simulated matched eggs, with shell signs that depend more or less on their stage."""

from __future__ import annotations

import numpy as np

from models.stages import STAGES
from pipeline.bench.matched_eggs import MatchedEgg, MatchedSections


def reported_egg(stage: int, chances: list[float], signs: dict[str, float] | None = None, **more):
    by_name = dict(zip(STAGES, chances, strict=True))
    return {
        "stage": STAGES[int(np.argmax(chances))],
        "stage_probability": max(chances),
        "stages": by_name,
        "network_stages": by_name,
        "signs": None if signs is None else {"grey": signs},
        "shape": "oval",
        "length_mm": 34.0,
        "length_interval90_mm": [30.0, 38.0],
        "width_mm": 21.0,
        "width_interval90_mm": [20.0, 23.0],
        "sightings": [],
    } | more


def matched_egg(
    stage: int, document, *, animal: str = "AF-0001", widest_section_mm: float = 22.0, sections=()
) -> MatchedEgg:
    return MatchedEgg(animal, document, stage, 36.0, 22.0, tuple(sections), widest_section_mm)


def shadowed_eggs(rng: np.random.Generator, number: int) -> list[MatchedEgg]:
    """Eggs whose stage is unknown to the network, and whose shadow grows with the stage."""
    eggs = []
    for index in range(number):
        stage = index % 3
        signs = {"shadow": 30.0 * stage + rng.normal(0, 12)}
        eggs.append(matched_egg(stage, reported_egg(stage, [0.34, 0.33, 0.33], signs), animal=f"AF-{index % 12:04d}"))
    return eggs


def section_series(rng: np.random.Generator, *, bias: float, scale: float, number: int) -> list[MatchedSections]:
    """Sections of elongated eggs, detected too wide by ``bias`` and too round by ``scale``, both in log units."""
    sections = []
    for _ in range(number):
        breadth = 50 * np.sqrt(1 - np.linspace(-0.9, 0.9, 21) ** 2)
        stretch, degrees = rng.uniform(0.1, 0.5), rng.uniform(-80, 80)
        turn = np.full(21, degrees)
        true = np.column_stack([turn, turn, breadth * np.exp(stretch / 2), breadth * np.exp(-stretch / 2), turn])
        wrong, drawn = bias + rng.normal(0, 0.02), scale * stretch + rng.normal(0, 0.02)
        axes = breadth * np.exp(wrong + drawn / 2), breadth * np.exp(wrong - drawn / 2)
        found = np.column_stack([turn, turn, *axes, turn])
        sections.append(MatchedSections(found, true, 0.2))
    return sections
