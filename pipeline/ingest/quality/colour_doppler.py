"""Whether colour Doppler or power Doppler covers the echoes. Where it does, nothing can be measured."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import subsample
from pipeline.ingest.frame import Chroma
from pipeline.ingest.sector.sector import Sector

__all__ = ["ColourDopplerDetector"]

NEUTRAL_CHROMA = 128


@dataclass(frozen=True)
class DopplerThresholds:
    """When colour counts as flow. Sizes are in samples of the chroma.

    vivid_above : distance from colourless, in steps of 255, of a vivid colour. Tinted greys stay below 30 (sepia 28,
    blue 25); the dark red and blue of slow flow begin at 40.
    min_covered_share : of the sector that patches of vivid colour must cover (common practice, no source)
    patch : side of such a patch. Text, callipers and the outline of the Doppler box have thin strokes, in which no
    patch fits.
    patch_on_tint : the same where greys are shown in vivid colours, which a codec smears around text by one sample more
    brightness_bins : levels of brightness at which colours are compared
    """

    vivid_above: float = 32.0
    min_covered_share: float = 0.004
    patch: int = 3
    patch_on_tint: int = 4
    brightness_bins: int = 16


_DOPPLER = DopplerThresholds()


class ColourDopplerDetector:
    """Detects flow in the sector of one clip."""

    def __init__(self, sector: Sector) -> None:
        self._sector_mask = np.ascontiguousarray(subsample(sector.mask)).astype(np.uint8)
        self._min_samples = _DOPPLER.min_covered_share * int(self._sector_mask.sum())

    def covers_echoes(self, chroma: Chroma, grey: NDArray[np.uint8]) -> bool:
        """True if patches of flow lie on the echoes of ``grey`` (H, W), whose chroma is given."""
        if not self._min_samples > 0:
            return False
        if not self._has_patches(_is_vivid(chroma, np.full_like(chroma, NEUTRAL_CHROMA)), _DOPPLER.patch):
            return False
        usual, brightness_bin = self._usual_chroma(chroma, grey)
        has_vivid_tint = _is_vivid(usual[None], np.full_like(usual[None], NEUTRAL_CHROMA)).any()
        patch = _DOPPLER.patch_on_tint if has_vivid_tint else _DOPPLER.patch
        return self._has_patches(_is_vivid(chroma, usual[brightness_bin]), patch)

    def _usual_chroma(self, chroma: Chroma, grey: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """(brightness_bins, 2) median chroma of each brightness, as in tinted greys, and (h, w) bin of each sample."""
        # Chroma is stored more coarsely than brightness and smoothed by codecs, so brightness is smoothed as much.
        height, width = self._sector_mask.shape
        coarse = np.asarray(cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
        brightness_bin = coarse // (256 // _DOPPLER.brightness_bins)
        usual = np.full((_DOPPLER.brightness_bins, 2), NEUTRAL_CHROMA, np.uint8)
        for each in np.unique(brightness_bin):
            members = chroma[(self._sector_mask > 0) & (brightness_bin == each)]
            # Most of a small number of samples may be flow.
            if len(members) >= self._min_samples:
                usual[each] = np.median(members, axis=0)
        return usual, brightness_bin

    def _has_patches(self, vivid: NDArray[np.uint8], patch: int) -> bool:
        """Whether patches of what is above 0 cover enough of the sector."""
        vivid = np.asarray(cv2.min(vivid, self._sector_mask), np.uint8)
        if cv2.countNonZero(vivid) < self._min_samples:
            return False
        opened = cv2.morphologyEx(vivid, cv2.MORPH_OPEN, np.ones((patch, patch), np.uint8))
        return cv2.countNonZero(opened) >= self._min_samples


def _is_vivid(chroma: Chroma, usual: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(h, w), above 0 where a colour is further from the usual one than tints are."""
    limit = _DOPPLER.vivid_above
    near = cv2.inRange(cv2.absdiff(chroma, usual), (0.0, 0.0), (limit, limit))
    return np.asarray(cv2.bitwise_not(near), np.uint8)
