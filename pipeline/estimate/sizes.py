"""How large and of what shape the eggs of an exam are, and how deep they lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.calibration_file import OutlineErrorModel
from pipeline.estimate.egg_size_model import IntervalEstimate, SizeEstimate, estimate_sizes
from pipeline.estimate.section_summary import summarise_sections
from pipeline.settings import SizeSettings
from pipeline.track.tracks import Track, view_quality

__all__ = ["Measurement", "measure_eggs"]

Shape = Literal["round", "oval", "cannot tell"]
Sightings = Sequence[tuple[Track, float | None]]


@dataclass(frozen=True)
class Measurement:
    """length_mm, width_mm : None without scale;  depth_mm : in the best sighting, None likewise

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
    """Measure the eggs, or the follicles, of one animal, each from its tracks with their clips' mm per px or None.

    same_clutch : whether they are one clutch, whose eggs tell of each other (`pipeline.estimate.egg_size_model`)

    A shape is named only of an egg that was seen in more than one plane: in enough sections, shrinking on both sides
    of the largest. One section alone settles nothing, since a long egg cut across shows a circle.
    """
    passages = [[(summarise_sections(track.ellipses), scale) for track, scale in sightings] for sightings in eggs]
    sizes = estimate_sizes(passages, same_clutch=same_clutch, settings=settings, errors=errors)
    measured = []
    for one, seen, sightings in zip(sizes, passages, eggs, strict=True):
        swept = [each for each, _ in seen if each.crossed_middle]
        sections = sum(each.section_count for each in swept)
        measured.append(
            Measurement(
                shape=_shape(one, sections, settings),
                oval_probability=one.oval_probability,
                length_mm=one.length_mm,
                width_mm=one.width_mm,
                depth_mm=_depth(sightings),
            )
        )
    return measured


def _shape(sizes: SizeEstimate, sections: int, settings: SizeSettings) -> Shape:
    if sections < settings.shape_sections:
        return "cannot tell"
    if sizes.oval_probability >= settings.shape_probability:
        return "oval"
    return "round" if 1 - sizes.oval_probability >= settings.shape_probability else "cannot tell"


def _depth(sightings: Sightings) -> float | None:
    best, scale = max(sightings, key=lambda sighting: _worth(*sighting))
    return None if scale is None else float(best.depths_px[best.best_row]) * scale


def _worth(track: Track, mm_per_px: float | None) -> float:
    area = 1.0 if mm_per_px is None else mm_per_px**2
    return float(view_quality(track.ellipses, track.scores).max()) * area
