"""The size, shape and depth of the eggs of an exam."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.calibration_tables import OutlineErrorModel
from pipeline.estimate.egg_size_model import IntervalEstimate, SizeEstimate, estimate_sizes
from pipeline.estimate.section_summary import summarise_sections
from pipeline.settings_tables import SizeSettings
from pipeline.track.tracks import Track, view_quality

__all__ = ["Measurement", "measure_eggs"]

Shape = Literal["round", "oval", "cannot tell"]
Sightings = Sequence[tuple[Track, float | None]]
"""The tracks of one egg, each with the mm per px of its clip or None."""


@dataclass(frozen=True)
class Measurement:
    """length_mm, width_mm : None without a scale;  depth_mm : in the best sighting, None if that has no scale

    oval_probability : probability that the egg is oval rather than round
    """

    shape: Shape
    oval_probability: float
    length_mm: IntervalEstimate | None
    width_mm: IntervalEstimate | None
    depth_mm: float | None


def measure_eggs(
    eggs: Sequence[Sightings], *, same_clutch: bool, settings: SizeSettings, errors: OutlineErrorModel
) -> list[Measurement]:
    """Measure the shelled eggs, or the follicles, of one animal.

    same_clutch : whether they are eggs of one clutch, which are similar (`pipeline.estimate.egg_size_model`)

    The shape is given only for an egg that was seen in more than one plane: in enough sections, shrinking on both sides
    of the largest. A single section decides nothing, since a long egg cut across shows a circle.
    """
    sections = [[(summarise_sections(track.ellipses), mm_per_px) for track, mm_per_px in egg] for egg in eggs]
    sizes = estimate_sizes(sections, same_clutch=same_clutch, settings=settings, errors=errors)
    return [
        Measurement(
            shape=_shape(size, sum(one.section_count for one, _ in summaries if one.crossed_middle), settings),
            oval_probability=size.oval_probability,
            length_mm=size.length_mm,
            width_mm=size.width_mm,
            depth_mm=_depth(sightings),
        )
        for size, summaries, sightings in zip(sizes, sections, eggs, strict=True)
    ]


def _shape(size: SizeEstimate, section_count: int, settings: SizeSettings) -> Shape:
    """section_count : in tracks that crossed the middle of the egg"""
    if section_count < settings.shape_sections:
        return "cannot tell"
    if size.oval_probability >= settings.shape_probability:
        return "oval"
    return "round" if 1 - size.oval_probability >= settings.shape_probability else "cannot tell"


def _depth(sightings: Sightings) -> float | None:
    track, mm_per_px = max(sightings, key=lambda sighting: _best_view(*sighting))
    return None if mm_per_px is None else float(track.depths_px[track.best_row]) * mm_per_px


def _best_view(track: Track, mm_per_px: float | None) -> float:
    """Quality of the best frame, in which the area of the section counts, in mm^2 if there is a scale."""
    px_area = 1.0 if mm_per_px is None else mm_per_px**2
    return float(view_quality(track.ellipses, track.scores).max()) * px_area
