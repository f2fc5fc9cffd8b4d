"""Where the eggs are: a simple map of the animal seen from below, as values, as text and as SVG.

She is seen from below with her head up, so her right side is on the left of the page. Across the body, an egg is placed
by its depth below the probe, measured from the window that shows it best. Along the body, it is placed by how far the
sweep had gone. If the direction of the probe is unknown, the two ends may be swapped. If the scale is unknown, depths
are only in proportion to each other. The map says so in both cases.

Positions are fractions of the drawing: x from the left edge, y from the top edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from xml.sax.saxutils import escape

from models.stages import Stage
from pipeline.estimate.results import EggFinding, ExamFinding
from pipeline.exams.exam import Exam
from pipeline.language.translation import gettext
from pipeline.report.sightings import best_picture, sorted_sightings
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "APPENDAGES",
    "BODY_BOX",
    "HEIGHT",
    "STAGE_DASH_ARRAYS",
    "WIDTH",
    "BodyMap",
    "MapLabels",
    "MappedEgg",
    "body_map",
    "body_map_svg",
    "body_map_text",
]

WIDTH, HEIGHT = 260.0, 300.0  # units of the drawing
BODY_BOX = (0.14, 0.12, 0.72, 0.76)  # the shell's outline: left, top, width and height, as fractions
STAGE_DASH_ARRAYS: dict[Stage, str] = {"calcified": "none", "thin-shelled": "4 2.5", "follicle": "0.8 2.6"}


@dataclass(frozen=True)
class _Placement:
    """How eggs are placed. Chosen by eye.

    tail_y, head_y : where a sweep begins and ends, from the hind legs to the middle of the body
    max_depth : of an egg, as a fraction of the body's width
    unscaled_max_depth : of the deepest egg, as a fraction of the body's width, if the width in mm is unknown
    spacing : smallest distance of two circles, over their radius;  iterations : of pushing them apart
    """

    tail_y: float = 0.80
    head_y: float = 0.36
    max_depth: float = 0.85
    unscaled_max_depth: float = 0.48
    spacing: float = 2.1
    iterations: int = 100


_PLACEMENT = _Placement()


@dataclass(frozen=True)
class Appendage:
    """Head, tail or leg: an ellipse by its centre and size in units of the drawing, then turned clockwise."""

    x: float
    y: float
    width: float
    height: float
    degrees: float = 0.0


# Drawn before the shell, which covers their inner ends.
APPENDAGES = (
    Appendage(130.0, 28.0, 34.0, 46.0),
    Appendage(130.0, 272.0, 12.0, 46.0),
    Appendage(52.0, 74.0, 56.0, 24.0, 40.0),
    Appendage(208.0, 74.0, 56.0, 24.0, -40.0),
    Appendage(54.0, 232.0, 56.0, 24.0, -40.0),
    Appendage(206.0, 232.0, 56.0, 24.0, 40.0),
)


@dataclass(frozen=True)
class MappedEgg:
    """sweep_fraction : 0 to 1, from the tail end if the direction of the probe is known, else from the sweep's start

    x, y : centre of its circle
    """

    identity: int
    stage: Stage
    window: str
    sweep_fraction: float
    depth_mm: float | None
    x: float
    y: float


@dataclass(frozen=True)
class BodyMap:
    """eggs : by window, then from the tail end;  unplaced : numbers of the eggs whose window is unknown

    is_directed : whether the direction of the probe is known for every clip that placed an egg
    radius : of the circles, as a fraction of the width
    """

    eggs: tuple[MappedEgg, ...]
    unplaced: tuple[int, ...]
    is_directed: bool
    radius: float


def body_map(exam: Exam, finding: ExamFinding, scans: Sequence[ClipScan]) -> BodyMap | None:
    """None if there is no egg to place."""
    directions = {clip.file: clip.hand for clip in exam.clips}
    seen = [(egg, *view) for egg in finding.eggs if (view := _best_view(egg, scans)) is not None]
    placed = [(egg, scan, frame) for egg, scan, frame in seen if scan.window is not None]
    if not placed:
        return None
    depths, is_scaled = _depths([(egg, scan) for egg, scan, _ in placed])
    body_width = exam.carapace_width_mm if is_scaled else None
    body_width = body_width or max(depths) / _PLACEMENT.unscaled_max_depth
    eggs = []
    for (egg, scan, frame), depth in zip(placed, depths, strict=True):
        sweep_fraction = (frame + 0.5) / max(scan.frames, 1)
        if directions.get(scan.file) == "head to tail":
            sweep_fraction = 1 - sweep_fraction
        inward = min(depth / body_width, _PLACEMENT.max_depth) * BODY_BOX[2]
        # Her right window is on the left of the page.
        x = BODY_BOX[0] + inward if scan.window == "right" else BODY_BOX[0] + BODY_BOX[2] - inward
        y = _PLACEMENT.tail_y + sweep_fraction * (_PLACEMENT.head_y - _PLACEMENT.tail_y)
        eggs.append(MappedEgg(egg.identity, egg.stage, str(scan.window), sweep_fraction, egg.depth_mm, x, y))
    eggs.sort(key=lambda egg: (egg.window, egg.sweep_fraction, egg.identity))
    radius = 0.044 if len(eggs) <= 12 else 0.03 if len(eggs) <= 30 else 0.02
    return BodyMap(
        eggs=tuple(_pushed_apart(eggs, radius)),
        unplaced=tuple(sorted({egg.identity for egg in finding.eggs} - {egg.identity for egg in eggs})),
        is_directed=all(directions.get(scan.file) is not None for _, scan, _ in placed),
        radius=radius,
    )


def body_map_text(found: BodyMap) -> str:
    """The map as text, for people who cannot see it."""
    sides = []
    for window in ("left", "right"):
        numbers = [
            f"{egg.identity}" + ("" if _is_unknown(egg.depth_mm) else f" ({egg.depth_mm:.0f} mm)")
            for egg in found.eggs
            if egg.window == window
        ]
        if numbers:
            sides.append(_side_text(window, is_directed=found.is_directed, numbers=", ".join(numbers)))
    sentences = [*sides, gettext("Brackets: depth below the probe.")]
    if not found.is_directed:
        sentences.append(
            gettext("The direction of the probe is unknown, so the tail end and the head end may be swapped.")
        )
    if found.unplaced:
        numbers = list(map(str, found.unplaced))
        sentences.append(
            gettext("Not on the map, because their window is unknown: {numbers}.", numbers=", ".join(numbers))
        )
    return " ".join(sentences)


def _side_text(window: str, *, is_directed: bool, numbers: str) -> str:
    if window == "left":
        if is_directed:
            return gettext("Left window, from the tail end: {numbers}.", numbers=numbers)
        return gettext("Left window, in the order of the sweep: {numbers}.", numbers=numbers)
    if is_directed:
        return gettext("Right window, from the tail end: {numbers}.", numbers=numbers)
    return gettext("Right window, in the order of the sweep: {numbers}.", numbers=numbers)


@dataclass(frozen=True)
class MapLabels:
    """Text in the drawing, and its title."""

    title: str
    head: str
    tail: str
    right: str
    left: str

    @classmethod
    def in_use(cls) -> MapLabels:
        """In the language in use."""
        return cls(
            title=gettext("Where the eggs are, seen from below"),
            head=gettext("head"),
            tail=gettext("tail"),
            right=gettext("her right"),
            left=gettext("her left"),
        )


def body_map_svg(found: BodyMap) -> str:
    """The drawing, with ``body_map_text`` as its description."""
    left, top, width, height = BODY_BOX[0] * WIDTH, BODY_BOX[1] * HEIGHT, BODY_BOX[2] * WIDTH, BODY_BOX[3] * HEIGHT
    middle, bottom = left + width / 2, top + height
    labels = MapLabels.in_use()
    parts = [
        f'<svg class="body" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" aria-labelledby="body-title body-text" '
        'xmlns="http://www.w3.org/2000/svg">',
        f'<title id="body-title">{escape(labels.title)}</title>',
        f'<desc id="body-text">{escape(body_map_text(found))}</desc>',
    ]
    for part in APPENDAGES:
        parts.append(
            f'<ellipse class="part" cx="{part.x:.0f}" cy="{part.y:.0f}" rx="{part.width / 2:.0f}" '
            f'ry="{part.height / 2:.0f}" transform="rotate({part.degrees:.0f} {part.x:.0f} {part.y:.0f})"/>'
        )
    parts += [
        f'<ellipse class="shell" cx="{middle:.0f}" cy="{top + height / 2:.0f}" rx="{width / 2:.0f}" '
        f'ry="{height / 2:.0f}"/>',
        f'<path class="midline" d="M{middle:.0f} {top + 6:.0f}V{bottom - 6:.0f}"/>',
        f'<text x="{middle + 26:.0f}" y="12">{escape(labels.head)}</text>',
        f'<text x="{middle + 14:.0f}" y="{HEIGHT - 4:.0f}">{escape(labels.tail)}</text>',
        f'<text x="2" y="24">{escape(labels.right)}</text>',
        f'<text x="{WIDTH - 2:.0f}" y="24" text-anchor="end">{escape(labels.left)}</text>',
    ]
    radius = found.radius * WIDTH
    for egg in found.eggs:
        x, y = egg.x * WIDTH, egg.y * HEIGHT
        parts.append(
            f'<circle class="egg-place" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" '
            f'stroke-dasharray="{STAGE_DASH_ARRAYS[egg.stage]}"/>'
            f'<text class="egg-number" x="{x:.1f}" y="{y + 0.36 * radius * 1.15:.1f}" text-anchor="middle" '
            f'font-size="{1.15 * radius:.1f}">{egg.identity}</text>'
        )
    return "\n".join([*parts, "</svg>"])


def _best_view(egg: EggFinding, scans: Sequence[ClipScan]) -> tuple[ClipScan, int] | None:
    """The clip and the frame that show it best. None if none of its clips is among the scans."""
    found = best_picture(egg, scans)
    if found is not None:
        return found.scan, found.picture.frame
    by_file = {scan.file: scan for scan in scans}
    return next(((by_file[s.clip], s.best_frame) for s in sorted_sightings(egg) if s.clip in by_file), None)


def _depths(placed: Sequence[tuple[EggFinding, ClipScan]]) -> tuple[list[float], bool]:
    """Depth of each egg, and whether all are in mm: if any clip has no scale, all depths are in px of the frame."""
    if all(scan.mm_per_px is not None for _, scan in placed):
        return [_depth_mm(egg, scan) for egg, scan in placed], True
    return [_depth_px(egg, scan) for egg, scan in placed], False


def _depth_mm(egg: EggFinding, scan: ClipScan) -> float:
    """At least 1 mm."""
    if egg.depth_mm is not None and not math.isnan(egg.depth_mm):
        return max(egg.depth_mm, 1.0)
    return max(_depth_px(egg, scan) * (scan.mm_per_px or 1.0), 1.0)


def _depth_px(egg: EggFinding, scan: ClipScan) -> float:
    """The largest mean depth of its tracks in the clip, at least 1 px."""
    tracks = {track.identity: track for track in scan.tracks.tracks}
    return max((float(tracks[s.track].depths_px.mean()) for s in egg.sightings if s.clip == scan.file), default=1.0)


def _is_unknown(value: float | None) -> bool:
    return value is None or math.isnan(value)


def _pushed_apart(eggs: Sequence[MappedEgg], radius: float) -> list[MappedEgg]:
    """The same eggs, moved apart a little where their circles would hide each other's numbers."""
    aspect = HEIGHT / WIDTH
    places = [[egg.x, egg.y * aspect] for egg in eggs]  # in units of the width, so that distances are isotropic
    for _ in range(_PLACEMENT.iterations):
        for i, one in enumerate(places):
            for other in places[:i]:
                dx, dy = one[0] - other[0], one[1] - other[1]
                distance = math.hypot(dx, dy)
                overlap = _PLACEMENT.spacing * radius - distance
                if overlap <= 0:
                    continue
                if distance < 1e-6:  # several eggs in one place: each moves in a direction of its own
                    dx, dy, distance = math.cos(2.4 * i), math.sin(2.4 * i), 1.0
                for place, share in ((one, 0.5), (other, -0.5)):
                    place[0] = min(max(place[0] + share * overlap * dx / distance, radius), 1 - radius)
                    place[1] = min(max(place[1] + share * overlap * dy / distance, radius), aspect - radius)
    return [replace(egg, x=x, y=y / aspect) for egg, (x, y) in zip(eggs, places, strict=True)]
