"""Motion over real pictures with a known count: a window slides along a strip of pictures put side by side.

A strip is a background, then an oval and a background for each oval that it shows. Backgrounds are the middles of
pictures without an egg, ovals are cut out with what is around them. All are scaled to one height, and neighbours fade
into each other. The speckle is real; that the probe slides along its own plane, and that the same speckle goes by
unchanged, is not what a hand does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import find_sector
from pipeline.real_pictures.found_objects import ObjectFinder
from pipeline.real_pictures.ovals import OvalPicture
from pipeline.real_pictures.region_overlap import RealPicturesError, read_picture

__all__ = [
    "ConstructedCounts",
    "SlidWindow",
    "background_piece",
    "join_pieces",
    "measure_constructed_motion",
    "oval_piece",
]

Picture = NDArray[np.uint8]

NUMBERS = (0, 1, 2)
"""How many ovals strips show."""

_FRAMES_PER_SECOND = 25.0


@dataclass(frozen=True)
class _StripDesign:
    """All values: common practice, no source.

    height_px : of a strip and of the window, which is as wide as it is high
    step_share : of the window's width, from frame to frame
    fade_share : of the height, over which two neighbours fade into each other
    oval_margin : side of the square around an oval, in longer sides of its box
    background_share : of the sector's width and height that a background takes, from its middle
    """

    height_px: int = 320
    step_share: float = 0.03
    fade_share: float = 0.1
    oval_margin: float = 1.5
    background_share: float = 0.5


_DESIGN = _StripDesign()


@dataclass(frozen=True)
class ConstructedCounts:
    """Strips with the same number of ovals. Shares are of strips; None without one.

    refused : strips that could not be used;  exact, within_1 : estimates;  bias : of the estimate
    interval_holds : the 90 % interval holds the number
    """

    ovals: int
    strips: int
    refused: int
    exact: float | None
    within_1: float | None
    bias: float | None
    interval_holds: float | None


@dataclass(frozen=True)
class SlidWindow:
    """A recording (`pipeline.ingest.clip.Recording`) of a window that slides from the left end of a strip to the right.

    strip : (H, W) uint8, at least as wide as high
    """

    strip: Picture
    frame_rate: float | None = _FRAMES_PER_SECOND
    reason: str | None = None

    def __iter__(self) -> Iterator[Frame]:
        side, width = self.strip.shape
        starts = np.arange(0, width - side + 1, max(1, round(_DESIGN.step_share * side)))
        for index, start in enumerate(starts.tolist()):
            # A copy, because frames are compared with the next one.
            yield Frame(index, index / _FRAMES_PER_SECOND, self.strip[:, start : start + side].copy())

    @property
    def width(self) -> int:
        return int(self.strip.shape[0])

    @property
    def height(self) -> int:
        return int(self.strip.shape[0])

    @property
    def calibration(self) -> RegionCalibration:
        return RegionCalibration(boxes=((0, 0, self.width, self.height),))


def measure_constructed_motion(
    ovals: Sequence[OvalPicture],
    backgrounds: Sequence[Path],
    finder: ObjectFinder,
    *,
    strips: int,
    seed: int,
    progress: Callable[[int, int], None],
) -> list[ConstructedCounts]:
    """Count the ovals of so many strips with none, one and two of them, drawn with the seed.

    backgrounds : pictures without an egg

    Raises RealPicturesError if there is no oval, or no background with a sector.
    """
    rng = np.random.default_rng(seed)
    free = [piece for piece in map(background_piece, backgrounds) if piece is not None]
    if not free or len(ovals) < max(NUMBERS):
        raise RealPicturesError("Constructed motion needs two pictures with ovals and one without. Name more folders.")
    counted: dict[int, list[tuple[int, bool] | None]] = {number: [] for number in NUMBERS}
    for done in range(strips * len(NUMBERS)):
        number = NUMBERS[done % len(NUMBERS)]
        strip = _draw_strip(ovals, free, number, rng)
        found = finder.in_recording(f"strip-{done + 1}", SlidWindow(strip))
        low, high = found.shelled.interval90
        counted[number].append(
            None if found.refusal is not None else (found.shelled.estimate - number, low <= number <= high)
        )
        progress(done + 1, strips * len(NUMBERS))
    return [_counts(number, each) for number, each in counted.items()]


def join_pieces(pieces: Sequence[Picture]) -> Picture:
    """(H, W) a strip of pieces (h, w) side by side, each scaled to the strip's height."""
    height, fade = _DESIGN.height_px, round(_DESIGN.fade_share * _DESIGN.height_px)
    scaled = [_scaled(piece, height, 2 * fade) for piece in pieces]
    strip = scaled[0]
    falling = np.linspace(1, 0, fade + 2)[1:-1]
    for piece in scaled[1:]:
        between = strip[:, -fade:] * falling + piece[:, :fade] * (1 - falling)
        strip = np.hstack([strip[:, :-fade], between, piece[:, fade:]])
    return np.asarray(strip.round(), dtype=np.uint8)


def oval_piece(picture: OvalPicture) -> Picture:
    """The square around an oval with what is around it, as far as the picture reaches. Raises RealPicturesError."""
    grey = read_picture(picture.path, cv2.IMREAD_GRAYSCALE)
    mask = read_picture(picture.mask, cv2.IMREAD_GRAYSCALE)
    x, y, width, height = cv2.boundingRect((mask > 0).astype(np.uint8))
    half = round(_DESIGN.oval_margin * max(width, height) / 2)
    cx, cy = x + width // 2, y + height // 2
    return grey[max(0, cy - half) : cy + half, max(0, cx - half) : cx + half]


def background_piece(path: Path) -> Picture | None:
    """The middle of a picture's sector; None if no sector is found."""
    grey = read_picture(path, cv2.IMREAD_GRAYSCALE)
    sector = find_sector([grey])
    if sector is None:
        return None
    x0, y0, x1, y1 = sector.box
    margin_x, margin_y = (round((1 - _DESIGN.background_share) / 2 * side) for side in (x1 - x0, y1 - y0))
    return grey[y0 + margin_y : y1 - margin_y, x0 + margin_x : x1 - margin_x]


def _draw_strip(
    ovals: Sequence[OvalPicture], free: Sequence[Picture], number: int, rng: np.random.Generator
) -> Picture:
    # Without an oval, two backgrounds: one alone might be narrower than the window.
    places = rng.integers(len(free), size=max(2, number + 1)).tolist()
    pieces = [free[place] for place in places]
    for after, oval in enumerate(rng.choice(len(ovals), size=number, replace=False).tolist()):
        pieces.insert(2 * after + 1, oval_piece(ovals[oval]))
    strip = join_pieces(pieces)
    missing = strip.shape[0] - strip.shape[1]
    return strip if missing <= 0 else np.pad(strip, ((0, 0), (0, missing)), mode="reflect")


def _scaled(piece: Picture, height: int, least_width: int) -> NDArray[np.float64]:
    width = max(least_width, round(piece.shape[1] * height / piece.shape[0]))
    return np.asarray(cv2.resize(piece, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float64)


def _counts(number: int, counted: Sequence[tuple[int, bool] | None]) -> ConstructedCounts:
    used = [each for each in counted if each is not None]
    errors = np.array([error for error, _ in used])
    return ConstructedCounts(
        ovals=number,
        strips=len(counted),
        refused=len(counted) - len(used),
        exact=float((errors == 0).mean()) if used else None,
        within_1=float((np.abs(errors) <= 1).mean()) if used else None,
        bias=float(errors.mean()) if used else None,
        interval_holds=float(np.mean([holds for _, holds in used])) if used else None,
    )
