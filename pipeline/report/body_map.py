"""Where the eggs lie: a simple map of the animal seen from below, as values, as words and as SVG.

Seen from below with the head up, her right side is on the left of the page. An egg is drawn as deep from the window
that shows it best as it lay below the probe, and as far from the tail end as the hand had come. What is not known is
said: without the hand's way the two ends may be swapped, and without a scale depths are in proportion only.

Places are shares of the drawing, x from the left, y from the top edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from xml.sax.saxutils import escape

from pipeline.estimate.results import EggFinding, ExamFinding, Stage
from pipeline.exams.exam_search import Exam
from pipeline.report.sightings import best_picture, sorted_sightings
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "APPENDAGES",
    "BODY_BOX",
    "HEIGHT",
    "WIDTH",
    "BodyMap",
    "MappedEgg",
    "body_map",
    "body_map_svg",
    "body_map_text",
]

# The body's outline: left, top, width and height.
BODY_BOX = (0.14, 0.12, 0.72, 0.76)
TAIL_END, HEAD_END = 0.80, 0.36  # y that a sweep runs between: from the hind legs to the middle
STAGE_DASH_ARRAYS: dict[Stage, str] = {"calcified": "none", "thin-shelled": "4 2.5", "follicle": "0.8 2.6"}
DEFAULT_MAX_DEPTH = 0.48  # of the body's width, where its width in mm is not known
WIDTH, HEIGHT = 260.0, 300.0  # units of the drawing
# Head, tail and legs, drawn before the shell that covers their inner ends: middle, width and height before they are
# turned by so many degrees, clockwise, in units of the drawing.
APPENDAGES = (
    (130.0, 28.0, 34.0, 46.0, 0.0),
    (130.0, 272.0, 12.0, 46.0, 0.0),
    (52.0, 74.0, 56.0, 24.0, 40.0),
    (208.0, 74.0, 56.0, 24.0, -40.0),
    (54.0, 232.0, 56.0, 24.0, -40.0),
    (206.0, 232.0, 56.0, 24.0, 40.0),
)


@dataclass(frozen=True)
class MappedEgg:
    """sweep_fraction : 0 at the begin of the sweep, or at the tail end where the hand's way is told, to 1"""

    identity: int
    stage: Stage
    window: str
    sweep_fraction: float
    depth_mm: float | None
    x: float
    y: float


@dataclass(frozen=True)
class BodyMap:
    """eggs : by window, then from the tail end;  unplaced : numbers of those whose window is not told

    is_directed : whether the hand's way is told of every clip that an egg was placed by
    radius : of the circles, in shares of the width
    """

    eggs: tuple[MappedEgg, ...]
    unplaced: tuple[int, ...]
    is_directed: bool
    radius: float


def body_map(exam: Exam, finding: ExamFinding, scans: Sequence[ClipScan]) -> BodyMap | None:
    """None where there is no egg to place."""
    ways = {clip.file: clip.hand for clip in exam.clips}
    seen = [(egg, *place) for egg in finding.eggs if (place := _seen_at(egg, scans)) is not None]
    placed = [(egg, scan, frame) for egg, scan, frame in seen if scan.window is not None]
    if not placed:
        return None
    depths = [_depth(egg, scan) for egg, scan, _ in placed]
    whole = exam.carapace_width_mm if all(scan.mm_per_px is not None for _, scan, _ in placed) else None
    full = whole or max(depths) / DEFAULT_MAX_DEPTH
    eggs = []
    for (egg, scan, frame), depth in zip(placed, depths, strict=True):
        sweep_fraction = (frame + 0.5) / max(scan.frames, 1)
        if ways.get(scan.file) == "head to tail":
            sweep_fraction = 1 - sweep_fraction
        inward = min(depth / full, 0.85) * BODY_BOX[2]
        # Her right window is on the left of the page.
        x = BODY_BOX[0] + inward if scan.window == "right" else BODY_BOX[0] + BODY_BOX[2] - inward
        y = TAIL_END + sweep_fraction * (HEAD_END - TAIL_END)
        eggs.append(MappedEgg(egg.identity, egg.stage, str(scan.window), sweep_fraction, egg.depth_mm, x, y))
    eggs.sort(key=lambda egg: (egg.window, egg.sweep_fraction, egg.identity))
    radius = 0.044 if len(eggs) <= 12 else 0.03 if len(eggs) <= 30 else 0.02
    return BodyMap(
        eggs=tuple(_apart(eggs, radius)),
        unplaced=tuple(sorted({egg.identity for egg in finding.eggs} - {egg.identity for egg in eggs})),
        is_directed=all(ways.get(scan.file) is not None for _, scan, _ in placed),
        radius=radius,
    )


def body_map_text(found: BodyMap) -> str:
    """The map in a sentence, for those who cannot see it."""
    order = "from the tail end" if found.is_directed else "in the order of the sweep"
    sides = []
    for window in ("left", "right"):
        numbers = [
            f"{egg.identity}" + ("" if _unknown(egg.depth_mm) else f" ({egg.depth_mm:.0f} mm)")
            for egg in found.eggs
            if egg.window == window
        ]
        if numbers:
            sides.append(f"by her {window} window {order}: {', '.join(numbers)}")
    words = f"{'; '.join(sides)}. In brackets, how deep below the probe."
    if not found.is_directed:
        words += " Which way the hand went is not told, so the tail end and the head end may be swapped."
    if found.unplaced:
        words += f" Without a place, since the window is not told: {', '.join(map(str, found.unplaced))}."
    return words[:1].upper() + words[1:]


def body_map_svg(found: BodyMap) -> str:
    """The drawing, with its words as its description."""
    left, top, wide, high = BODY_BOX[0] * WIDTH, BODY_BOX[1] * HEIGHT, BODY_BOX[2] * WIDTH, BODY_BOX[3] * HEIGHT
    middle, bottom = left + wide / 2, top + high
    parts = [
        f'<svg class="body" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" aria-labelledby="body-title body-words" '
        'xmlns="http://www.w3.org/2000/svg">',
        '<title id="body-title">Where the eggs lie, seen from below</title>',
        f'<desc id="body-words">{escape(body_map_text(found))}</desc>',
    ]
    for x, y, across, down, degrees in APPENDAGES:
        parts.append(
            f'<ellipse class="part" cx="{x:.0f}" cy="{y:.0f}" rx="{across / 2:.0f}" ry="{down / 2:.0f}" '
            f'transform="rotate({degrees:.0f} {x:.0f} {y:.0f})"/>'
        )
    parts += [
        f'<ellipse class="shell" cx="{middle:.0f}" cy="{top + high / 2:.0f}" rx="{wide / 2:.0f}" ry="{high / 2:.0f}"/>',
        f'<path class="midline" d="M{middle:.0f} {top + 6:.0f}V{bottom - 6:.0f}"/>',
        f'<text x="{middle + 26:.0f}" y="12">head</text>',
        f'<text x="{middle + 14:.0f}" y="{HEIGHT - 4:.0f}">tail</text>',
        '<text x="2" y="24">her right</text>',
        f'<text x="{WIDTH - 2:.0f}" y="24" text-anchor="end">her left</text>',
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


def _seen_at(egg: EggFinding, scans: Sequence[ClipScan]) -> tuple[ClipScan, int] | None:
    """The clip and the frame that show it best."""
    found = best_picture(egg, scans)
    if found is not None:
        return found.scan, found.picture.frame
    by_file = {scan.file: scan for scan in scans}
    return next(((by_file[s.clip], s.best_frame) for s in sorted_sightings(egg) if s.clip in by_file), None)


def _depth(egg: EggFinding, scan: ClipScan) -> float:
    """In mm where that is known, else in px; at least a little."""
    if egg.depth_mm is not None and not math.isnan(egg.depth_mm):
        return max(egg.depth_mm, 1.0)
    tracks = {track.identity: track for track in scan.tracks.tracks}
    depths = [float(tracks[s.track].depths_px.mean()) for s in egg.sightings if s.clip == scan.file]
    return max(depths, default=1.0)


def _unknown(value: float | None) -> bool:
    return value is None or math.isnan(value)


def _apart(eggs: Sequence[MappedEgg], radius: float) -> list[MappedEgg]:
    """The same eggs, pushed apart a little where their circles would hide each other's numbers."""
    tall = HEIGHT / WIDTH
    places = [[egg.x, egg.y * tall] for egg in eggs]
    for _ in range(100):
        for i, one in enumerate(places):
            for other in places[:i]:
                dx, dy = one[0] - other[0], one[1] - other[1]
                distance = math.hypot(dx, dy)
                lack = 2.1 * radius - distance
                if lack <= 0:
                    continue
                if distance < 1e-6:  # of those on one place each goes its own way
                    dx, dy, distance = math.cos(2.4 * i), math.sin(2.4 * i), 1.0
                for place, share in ((one, 0.5), (other, -0.5)):
                    place[0] = min(max(place[0] + share * lack * dx / distance, radius), 1 - radius)
                    place[1] = min(max(place[1] + share * lack * dy / distance, radius), tall - radius)
    return [replace(egg, x=x, y=y / tall) for egg, (x, y) in zip(eggs, places, strict=True)]
