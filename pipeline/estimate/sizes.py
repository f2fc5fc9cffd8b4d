"""How large and of what shape the eggs of an exam are, and how deep they lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.estimate.egg_size_model import Sizes, Spread, clutch_sizes
from pipeline.estimate.sections import passage
from pipeline.settings import OutlineErrors, SizeSettings
from pipeline.track.tracks import Track, picture_worth

__all__ = ["Measurement", "measure"]

Shape = Literal["round", "oval", "cannot tell"]
Sightings = Sequence[tuple[Track, float | None]]


@dataclass(frozen=True)
class Measurement:
    """length_mm, width_mm : None without scale;  depth_mm : in the best sighting, None likewise

    elongated : probability that the egg is oval rather than round
    """

    shape: Shape
    elongated: float
    length_mm: Spread | None
    width_mm: Spread | None
    depth_mm: float | None


def measure(
    eggs: Sequence[Sightings], *, alike: bool, settings: SizeSettings, errors: OutlineErrors
) -> list[Measurement]:
    """Measure the eggs, or the follicles, of one animal, each from its tracks with their clips' mm per px or None.

    alike : whether they are one clutch, whose eggs tell of each other (`pipeline.estimate.egg_size_model`)

    A shape is named only of an egg that was seen in more than one plane: in enough sections, shrinking on both sides
    of the largest. One section alone settles nothing, since a long egg cut across shows a circle.
    """
    passages = [[(passage(track.ellipses), scale) for track, scale in sightings] for sightings in eggs]
    sizes = clutch_sizes(passages, alike=alike, settings=settings, errors=errors)
    measured = []
    for one, seen, sightings in zip(sizes, passages, eggs, strict=True):
        swept = [each for each, _ in seen if each.crossed_middle]
        sections = sum(each.sections for each in swept)
        measured.append(
            Measurement(
                shape=_shape(one, sections, settings),
                elongated=one.elongated,
                length_mm=one.length_mm,
                width_mm=one.width_mm,
                depth_mm=_depth(sightings),
            )
        )
    return measured


def _shape(sizes: Sizes, sections: int, settings: SizeSettings) -> Shape:
    if sections < settings.shape_sections:
        return "cannot tell"
    if sizes.elongated >= settings.shape_probability:
        return "oval"
    return "round" if 1 - sizes.elongated >= settings.shape_probability else "cannot tell"


def _depth(sightings: Sightings) -> float | None:
    best, scale = max(sightings, key=lambda sighting: _worth(*sighting))
    return None if scale is None else float(best.depths_px[best.best]) * scale


def _worth(track: Track, mm_per_px: float | None) -> float:
    area = 1.0 if mm_per_px is None else mm_per_px**2
    return float(picture_worth(track.ellipses, track.scores).max()) * area
