"""Whether the colours of moving blood cover the echoes: colour and power Doppler, where nothing can be measured."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import subsample
from pipeline.ingest.frame import Chroma
from pipeline.ingest.sector.sector import Sector

__all__ = ["ColourDopplerDetector"]

# Steps of 255 from colourless, above which a colour is vivid: tinted greys keep below 30 (sepia 28, blue 25), and the
# dark red and blue of slow flow begin at 40.
VIVID_ABOVE = 32.0
NEUTRAL_CHROMA = 128
# Of the sector, covered by patches of such colours. Words, callipers and the box's outline have thin strokes, so that
# no patch as wide as three samples is left of them.
COVERED_SHARE = 0.004
PATCH = np.ones((3, 3), np.uint8)
# Where greys are shown in vivid colours, a coder smears these about every word by one sample more.
BROAD_PATCH = np.ones((4, 4), np.uint8)
# Brightnesses among which colours are compared.
BRIGHTNESS_BINS = 16


class ColourDopplerDetector:
    """Looks for flow in the sector of one clip."""

    def __init__(self, sector: Sector) -> None:
        self._inside = np.ascontiguousarray(subsample(sector.mask)).astype(np.uint8)
        self._enough = COVERED_SHARE * int(self._inside.sum())
        self._is_known = self._enough > 0

    def covers_echoes(self, colours: Chroma, grey: NDArray[np.uint8]) -> bool:
        """True where patches of flow lie on the echoes of ``grey`` (H, W), whose colours are given."""
        if not self._is_known:
            return False
        if not self._fill(_vivid(colours, np.full_like(colours, NEUTRAL_CHROMA)), PATCH):
            return False
        usual, band = self._usual(colours, grey)
        patch = BROAD_PATCH if _vivid(usual[None], np.full_like(usual[None], NEUTRAL_CHROMA)).any() else PATCH
        return self._fill(_vivid(colours, usual[band]), patch)

    def _usual(self, colours: Chroma, grey: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """(BRIGHTNESS_BINS, 2) colour of most pixels of one brightness, as of tinted greys, and (h, w) band of each sample."""
        # Colours are stored coarser than brightness and smoothed by coders, so brightness is evened out as far.
        height, width = self._inside.shape
        even = np.asarray(cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
        band = even // (256 // BRIGHTNESS_BINS)
        usual = np.full((BRIGHTNESS_BINS, 2), NEUTRAL_CHROMA, np.uint8)
        for each in np.unique(band):
            members = colours[(self._inside > 0) & (band == each)]
            # Of a few pixels, most may be flow.
            if len(members) >= self._enough:
                usual[each] = np.median(members, axis=0)
        return usual, band

    def _fill(self, vivid: NDArray[np.uint8], patch: NDArray[np.uint8]) -> bool:
        """Whether patches of what is above 0 fill enough of the sector."""
        vivid = np.asarray(cv2.min(vivid, self._inside), np.uint8)
        if cv2.countNonZero(vivid) < self._enough:
            return False
        return cv2.countNonZero(cv2.morphologyEx(vivid, cv2.MORPH_OPEN, patch)) >= self._enough


def _vivid(colours: Chroma, usual: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(h, w), above 0 where a colour lies further from the usual one than tints do."""
    near = cv2.inRange(cv2.absdiff(colours, usual), (0.0, 0.0), (VIVID_ABOVE, VIVID_ABOVE))
    return np.asarray(cv2.bitwise_not(near), np.uint8)
