"""The best picture of an egg, cut out of its frame, and where its outline and a scale bar lie on it.

The kind of line shows the stage, so that it can be read in grey print, by colour-blind people and in every language: a
full line is calcified, a dashed line thin-shelled, a dotted line a follicle. The line is drawn a little outside the
outline. Drawn on the outline it would hide the shell's rim, which is what a vet wants to see.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.ellipse import bounding_boxes, outline
from models.stages import Stage
from pipeline.estimate.results import EggFinding, UncountedObject
from pipeline.report.sightings import EggPicture

__all__ = ["HEIGHT", "STAGE_DASHES_PX", "WIDTH", "EggCutout", "Ellipse", "cut_out", "egg_picture"]

Ellipse = tuple[float, float, float, float, float]
"""Centre, semi-axes and angle, as everywhere."""


WIDTH, HEIGHT = 480, 360  # px of the finished picture; about what a scanner shows of it
OUTLINE_GAP_PX = 4.5  # px between outline and drawn line, in the finished picture
STAGE_DASHES_PX: dict[Stage, tuple[float, float]] = {  # lengths of dash and gap, px of the finished picture
    "calcified": (1.0, 0.0),
    "thin-shelled": (14.0, 9.0),
    "follicle": (1.5, 9.0),
}
DARK, LIGHT = 12, 245  # grey levels of lines, labels and their backgrounds


@dataclass(frozen=True)
class _Cutout:
    """What part of the frame is shown, and its scale bar. Chosen by eye.

    context : width of the picture over width of the egg's box
    min_width_px : of the source frame; a smaller part would be enlarged noise
    jpeg_quality : of the finished picture, 0 to 100
    bar_lengths_mm : lengths that a scale bar may have, longest first;  max_bar_share : of the picture's width
    """

    context: float = 2.3
    min_width_px: float = 48.0
    jpeg_quality: int = 86
    bar_lengths_mm: tuple[int, ...] = (50, 20, 10, 5, 2, 1)
    max_bar_share: float = 0.3


_CUTOUT = _Cutout()


@dataclass(frozen=True)
class EggCutout:
    """The part of a frame around an egg, without any lines: they are drawn on top, and can be taken away.

    jpeg : (HEIGHT, WIDTH) grey
    ellipse : the egg's outline, px of the cutout;  line : the line to draw just outside it
    bar_mm, bar_px : the scale bar that fits, in mm and as long as that in the cutout; None without a scale
    """

    jpeg: bytes
    ellipse: Ellipse
    line: Ellipse
    bar_mm: int | None
    bar_px: float | None


def cut_out(found: EggPicture) -> EggCutout | None:
    """None if the kept picture cannot be decoded."""
    view = _grey_view(found)
    return None if view is None else view.cutout


def egg_picture(egg: EggFinding | UncountedObject, found: EggPicture) -> bytes | None:
    """The cutout with its lines drawn in, as JPEG; None if the kept picture cannot be decoded."""
    view = _grey_view(found)
    if view is None:
        return None
    grey, cutout = view.grey.copy(), view.cutout
    _draw_outline(grey, np.array([cutout.line]), egg.stage)
    _draw_label(grey, str(egg.identity))
    if cutout.bar_mm is not None and cutout.bar_px is not None:
        _draw_scale(grey, cutout.bar_mm, cutout.bar_px)
    return _jpeg(grey)


@dataclass(frozen=True)
class _GreyView:
    """The cutout as pixels. grey : (HEIGHT, WIDTH);  ellipse : (1, 5) px;  px_per_mm : None without a scale"""

    grey: NDArray[np.uint8]
    ellipse: NDArray[np.float64]
    px_per_mm: float | None

    @property
    def cutout(self) -> EggCutout:
        cx, cy, a, b, degrees = (float(value) for value in self.ellipse[0])
        bar_mm = None if self.px_per_mm is None else _bar_length_mm(self.px_per_mm)
        return EggCutout(
            jpeg=_jpeg(self.grey),
            ellipse=(cx, cy, a, b, degrees),
            line=(cx, cy, a + OUTLINE_GAP_PX, b + OUTLINE_GAP_PX, degrees),
            bar_mm=bar_mm,
            bar_px=None if bar_mm is None or self.px_per_mm is None else bar_mm * self.px_per_mm,
        )


def _grey_view(found: EggPicture) -> _GreyView | None:
    import cv2

    grey = cv2.imdecode(np.frombuffer(found.picture.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        return None
    ellipse = np.array([found.picture.ellipse], np.float64)
    left, top, zoom = _view(ellipse)
    # In both pictures the centre of a pixel lies half a pixel inside its corner.
    to_view = np.array([[zoom, 0, zoom * (0.5 - left) - 0.5], [0, zoom, zoom * (0.5 - top) - 0.5]])
    if zoom < 1.0:  # warping alone would skip pixels and alias
        grey = cv2.GaussianBlur(grey, (0, 0), 0.5 / zoom)
    view = np.asarray(cv2.warpAffine(grey, to_view, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC), np.uint8)
    centre = ellipse[:, :2] @ to_view[:, :2].T + to_view[:, 2]
    in_view = np.concatenate([centre, ellipse[:, 2:4] * zoom, ellipse[:, 4:]], axis=1)
    mm_per_px = found.scan.mm_per_px
    return _GreyView(view, in_view, None if mm_per_px is None else zoom / mm_per_px)


def _jpeg(grey: NDArray[np.uint8]) -> bytes:
    import cv2

    _, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, _CUTOUT.jpeg_quality])
    return bytes(data)


def _bar_length_mm(px_per_mm: float) -> int | None:
    """The longest scale bar that fits, None if none does."""
    max_length_px = _CUTOUT.max_bar_share * WIDTH
    return next((length for length in _CUTOUT.bar_lengths_mm if length * px_per_mm <= max_length_px), None)


def _view(ellipse: NDArray[np.float64]) -> tuple[float, float, float]:
    """Left and top edge of the part to show, in px of the frame, and the zoom to the finished picture."""
    box_left, box_top, box_width, box_height = bounding_boxes(ellipse)[0]
    width = max(_CUTOUT.context * max(box_width, box_height * WIDTH / HEIGHT), _CUTOUT.min_width_px)
    left = box_left + box_width / 2 + 0.5 - width / 2
    top = box_top + box_height / 2 + 0.5 - width * HEIGHT / WIDTH / 2
    return float(left), float(top), float(WIDTH / width)


def dash_segments(points: NDArray[np.float64], dash: float, gap: float) -> list[NDArray[np.float64]]:
    """A closed line of (N, 2) points cut into dashes, (6, 2) points each. The pattern closes without a seam.

    dash, gap : lengths in the unit of the points, stretched a little so that a whole number of them fits; with no gap
    there is one piece, the whole line
    """
    closed = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    if gap == 0.0:
        return [closed]
    repeats = max(3, round(float(along[-1]) / (dash + gap)))
    step = float(along[-1]) / repeats
    pieces = []
    for start in np.arange(repeats) * step:
        at = np.linspace(start, start + step * dash / (dash + gap), 6)
        pieces.append(np.stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)], axis=1))
    return pieces


def _draw_outline(view: NDArray[np.uint8], ellipse: NDArray[np.float64], stage: Stage) -> None:
    import cv2

    pieces = dash_segments(outline(ellipse, corners=360)[0], *STAGE_DASHES_PX[stage])
    # OpenCV takes fixed-point coordinates: `shift=4` is in steps of 1/16 px.
    fixed_point = [np.round(piece * 16).astype(np.int32)[:, None, :] for piece in pieces]
    for grey, thickness in ((DARK, 5), (LIGHT, 2)):  # a dark edge, so that the line shows on bright tissue too
        cv2.polylines(view, fixed_point, False, grey, thickness, cv2.LINE_AA, shift=4)


def _draw_label(view: NDArray[np.uint8], text: str) -> None:
    """In the upper left corner."""
    import cv2

    (width, height), below = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.8, 1)
    cv2.rectangle(view, (0, 0), (width + 16, height + below + 12), DARK, cv2.FILLED)
    cv2.putText(view, text, (8, height + 8), cv2.FONT_HERSHEY_SIMPLEX, 0.8, LIGHT, 1, cv2.LINE_AA)


def _draw_scale(view: NDArray[np.uint8], bar_mm: int, bar_px: float) -> None:
    """The bar with its length, in the lower right corner."""
    import cv2

    text, length = f"{bar_mm} mm", round(bar_px)
    (width, height), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.75, 1)
    right, bottom = WIDTH - 14, HEIGHT - 14
    panel = max(length, width) + 20
    cv2.rectangle(view, (WIDTH - panel - 4, bottom - height - 20), (WIDTH, HEIGHT), DARK, cv2.FILLED)
    cv2.line(view, (right - length, bottom), (right, bottom), LIGHT, 2)
    for x in (right - length, right):
        cv2.line(view, (x, bottom - 5), (x, bottom + 5), LIGHT, 2)
    at = (right - length // 2 - width // 2, bottom - 12)
    left = min(at[0], WIDTH - width - 6)
    cv2.putText(view, text, (left, at[1]), cv2.FONT_HERSHEY_SIMPLEX, 0.55, LIGHT, 1, cv2.LINE_AA)
