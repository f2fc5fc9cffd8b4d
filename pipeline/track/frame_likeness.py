"""How alike any two frames of a clip are, however the picture is turned in its own plane.

A hand that rocks the probe on the skin turns the picture about the middle of the probe's face. In polar coordinates
about that point the turn is a shift, so thumbnails are resampled into these, and two frames are compared at every shift
up to `MAXIMUM_TURN_DEGREES`. The likeness is the highest correlation, of the pictures and of the maps of what was found
in them; the shift that reaches it says how far the picture turned.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.sector import Sector
from pipeline.track.thumbnails import ThumbnailStack

__all__ = ["MAXIMUM_TURN_DEGREES", "ClipLikeness", "FaceGeometry", "FrameLikeness", "clip_likeness", "frame_likeness"]

Floats = NDArray[np.float32]
PolarMaps = tuple[Floats, NDArray[np.bool_]]  # as `_polar_maps` gives them

MAXIMUM_TURN_DEGREES = 15.0


@dataclass(frozen=True)
class _LikenessModel:
    """The polar grid and the weights. Common practice, no source."""

    step_degrees: float = 1.5
    half_angle_degrees: float = 78.0
    radii: int = 20  # from minimum_radius to 1, in shares of the imaging depth
    minimum_radius: float = 0.12  # nearer to the face all pictures are alike
    inside_share: float = 0.6  # of a grid point's cells that must lie in the sector
    turn_cost: float = 4e-4  # correlation for each degree, so that pictures without features do not turn
    outline_weight: float = 1.0  # energy of the outlines in the frames that show most, relative to that of the pictures
    typical_quantile: float = 0.9  # of the outlines' energies
    alike_frames: int = 8  # of two clips, that say whether one of them is mirrored
    minimum_energy: float = 1.0  # of outlines; with less hardly any frame shows anything


_MODEL = _LikenessModel()
_SHIFTS = round(MAXIMUM_TURN_DEGREES / _MODEL.step_degrees)  # of the polar grid, either way


@dataclass(frozen=True)
class FaceGeometry:
    """Where the probe's face is. box : x0, y0, x1, y1 of the sector, px;  middle_xy : of the face, px

    depth_px : imaging depth;  upside_down : the probe is at the bottom
    """

    box: tuple[int, int, int, int]
    middle_xy: tuple[float, float]
    depth_px: float
    upside_down: bool = False

    @classmethod
    def of(cls, sector: Sector) -> FaceGeometry:
        """That of a clip's sector."""
        return cls(sector.box, sector.face_middle_xy, sector.depth_range_px, sector.upside_down)


@dataclass(frozen=True)
class FrameLikeness:
    """frames : (K,) int64

    likeness : (K, K) float32, highest correlation of every two frames, -1 to 1
    turn_degrees : (K, K) float32, angle [i, j] from which frame j must be turned back to look like frame i
    """

    frames: NDArray[np.int64]
    likeness: Floats
    turn_degrees: Floats


def frame_likeness(thumbnails: ThumbnailStack, geometry: FaceGeometry) -> FrameLikeness:
    """Compare every two of K thumbnails, in time proportional to K^2 but small: 20 ms for 100 frames."""
    count = len(thumbnails.frames)
    if count == 0:
        return FrameLikeness(thumbnails.frames, np.zeros((0, 0), np.float32), np.zeros((0, 0), np.float32))
    maps = _polar_maps(thumbnails, geometry)
    return FrameLikeness(thumbnails.frames, *_highest_correlation(maps, maps))


@dataclass(frozen=True)
class ClipLikeness:
    """likeness, turn_degrees : (K, L) float32, of the frames of two clips, as in `FrameLikeness`

    is_mirrored : the second clip shows the place with left and right exchanged, because the probe was held the other
        way round; its frames are turned after they are mirrored
    """

    likeness: Floats
    turn_degrees: Floats
    is_mirrored: bool

    @property
    def best_mean(self) -> float:
        """Mean likeness of the frames that have the most alike partners."""
        return _best_mean(self.likeness)


def clip_likeness(
    first: tuple[ThumbnailStack, FaceGeometry], second: tuple[ThumbnailStack, FaceGeometry]
) -> ClipLikeness:
    """Compare the frames of two clips, at least one each.

    Both geometries have a depth in px, each of its own picture, that is the same in mm.
    """
    maps, (other_maps, other_inside) = _polar_maps(*first), _polar_maps(*second)
    as_shown = _highest_correlation(maps, (other_maps, other_inside))
    mirrored = _highest_correlation(maps, (other_maps[:, :, ::-1], other_inside[:, ::-1]))
    is_mirrored = _best_mean(mirrored[0]) > _best_mean(as_shown[0])
    return ClipLikeness(*(mirrored if is_mirrored else as_shown), is_mirrored)


def _best_mean(likeness: Floats) -> float:
    """Mean likeness of the frames that have the most alike partners."""
    return float(np.sort(likeness.max(axis=1))[-_MODEL.alike_frames :].mean())


def _highest_correlation(first: PolarMaps, second: PolarMaps) -> tuple[Floats, Floats]:
    """(K, L) highest correlation of polar maps over all shifts, and the shift that reaches it, degrees."""
    best = np.full((len(first[0]), len(second[0])), -np.inf, np.float32)
    turn = np.zeros(best.shape, np.float32)
    for shift in range(_SHIFTS + 1):
        forth = _correlation(first, second, shift)
        # Between the frames of one clip, each shifted against the other is the same as the other against it.
        back = forth.T if first is second else _correlation(first, second, -shift)
        for sign, correlation in ((-1, back), (1, forth)):
            degrees = np.float32(sign * shift * _MODEL.step_degrees)
            is_better = (correlation > best) | ((correlation == best) & (degrees < turn))
            np.copyto(best, correlation, where=is_better)
            np.copyto(turn, degrees, where=is_better)
    return best.clip(-1, 1), turn


def _correlation(first: PolarMaps, second: PolarMaps, shift: int) -> Floats:
    """(K, L) correlation of polar maps at one shift, less what the turn costs."""
    (maps_a, inside_a), (maps_b, inside_b) = first, second
    angles = inside_a.shape[1]
    part_a = np.s_[max(0, -shift) : angles - max(0, shift)]
    part_b = np.s_[max(0, shift) : angles - max(0, -shift)]
    common = inside_a[:, part_a] & inside_b[:, part_b]
    a, b = maps_a[:, :, part_a][:, common], maps_b[:, :, part_b][:, common]
    correlation = a @ b.T / (_norms(a)[:, None] * _norms(b)[None])
    correlation -= _MODEL.turn_cost * abs(shift) * _MODEL.step_degrees
    return np.asarray(correlation, np.float32)


def _polar_maps(thumbnails: ThumbnailStack, geometry: FaceGeometry) -> PolarMaps:
    """(K, R, A) pictures and outlines one below the other, at radii and angles about the middle of the face.

    Also (R, A) bool, whether a place of this grid lies in the sector.
    """
    x0, y0, x1, y1 = geometry.box
    half = _MODEL.half_angle_degrees
    angles = np.deg2rad(np.arange(-half, half + _MODEL.step_degrees / 2, _MODEL.step_degrees))
    radii = geometry.depth_px * np.linspace(_MODEL.minimum_radius, 1.0, _MODEL.radii)[:, None]
    down = -1 if geometry.upside_down else 1
    side = thumbnails.inside.shape[0]
    x = (geometry.middle_xy[0] + radii * np.sin(angles) - x0) / (x1 - x0) * side - 0.5
    y = (geometry.middle_xy[1] + down * radii * np.cos(angles) - y0) / (y1 - y0) * side - 0.5

    def resampled(cells: Floats) -> Floats:
        return np.asarray(cv2.remap(cells, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR), np.float32)

    inside = resampled(thumbnails.inside.astype(np.float32)) > _MODEL.inside_share
    # A cell of the grid is the wider the further it lies from the face.
    weight = np.asarray(np.sqrt(radii / geometry.depth_px) * inside, np.float32)
    pictures = np.stack([resampled(cells.astype(np.float32)) for cells in thumbnails.pictures]) * weight
    outlines = np.stack([resampled(cells.astype(np.float32) / 255) for cells in thumbnails.outlines]) * weight
    picture_energy, outline_energy = ((maps**2).sum(axis=(1, 2)) for maps in (pictures, outlines))
    typical = float(np.quantile(outline_energy, _MODEL.typical_quantile))
    if typical > _MODEL.minimum_energy:
        outlines *= np.sqrt(_MODEL.outline_weight * np.median(picture_energy) / typical)
    else:
        outlines *= 0
    return np.concatenate([pictures, outlines], axis=1), np.concatenate([inside, inside])


def _norms(rows: Floats) -> Floats:
    return np.asarray(np.maximum(np.linalg.norm(rows, axis=1), 1e-6), np.float32)
