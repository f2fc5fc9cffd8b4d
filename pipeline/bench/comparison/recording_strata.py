"""Strata of animals by what their recordings show: brightness, which is mostly the machine's gain, and frame rate."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.bench.comparison.animal_strata import AnimalStratum
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.usable_clips import usable_clips
from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.settings_tables import IngestSettings

__all__ = ["recording_strata"]

_EVERY = 25  # frames of which one is looked at
_BLACK = 8  # greys; what is around the sector is darker (judgement)
_THIRDS = ("darkest third", "middle third", "brightest third")


def recording_strata(data_set: DataSet, settings: IngestSettings) -> list[AnimalStratum]:
    """By thirds of the animals in brightness, and by frame rate. Animals without a readable clip are in none."""
    brightness, rates = _read(data_set, settings)
    known = [value for value in brightness.values() if not np.isnan(value)]
    strata = []
    if len(known) >= len(_THIRDS):
        limits = [-np.inf, *np.quantile(known, [1 / 3, 2 / 3]), np.inf]
        values = np.array([brightness.get(animal, np.nan) for animal in data_set.animals])
        for name, low, high in zip(_THIRDS, limits, limits[1:], strict=False):
            strata.append(AnimalStratum("gain", name, np.asarray((values > low) & (values <= high))))
    for rate in sorted(set(rates.values())):
        chosen = np.array([rates.get(animal) == rate for animal in data_set.animals])
        strata.append(AnimalStratum("frame rate", f"{rate} a second", chosen))
    return strata


def _read(data_set: DataSet, settings: IngestSettings) -> tuple[dict[str, float], dict[str, int]]:
    """Mean grey of what is not black, and the rounded frame rate of the first clip that states one, by animal."""
    greys: dict[str, list[float]] = {}
    rates: dict[str, int] = {}
    for each in usable_clips(data_set):
        try:
            with open_clip(each.clip.path, settings) as recording:
                if recording.frame_rate is not None:
                    rates.setdefault(each.animal, round(recording.frame_rate))
                pictures = (frame.grey for frame in recording if frame.index % _EVERY == 0)
                greys.setdefault(each.animal, []).extend(_means(pictures))
        except ClipError:
            continue  # the batch says so
    return {animal: float(np.mean(values)) if values else np.nan for animal, values in greys.items()}, rates


def _means(pictures: Iterator[np.ndarray]) -> Iterator[float]:
    for picture in pictures:
        lit = picture[picture > _BLACK]
        if lit.size:
            yield float(lit.mean())
