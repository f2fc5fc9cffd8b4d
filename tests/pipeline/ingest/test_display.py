"""Pictures as players show them, compared with the plain formula and with FFmpeg's own conversion to RGB."""

from __future__ import annotations

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.chroma import chroma_from_rgb
from pipeline.ingest.display import to_display

# Odd sizes, so that rows are padded beyond their right edge.
HEIGHT, WIDTH = 37, 71


def noise(*shape: int) -> NDArray[np.uint8]:
    return np.random.default_rng(5).integers(0, 256, shape, dtype=np.uint8)


def test_limited_range_is_stretched_from_black_to_white_and_clipped_beyond() -> None:
    """ITU-R BT.601: 16 is black, 235 white."""
    luma = noise(HEIGHT, WIDTH)
    luma[:8, :32] = np.arange(256).reshape(8, 32)
    frame = av.VideoFrame.from_ndarray(luma, format="gray")
    frame.color_range = 1
    grey, chroma = to_display(frame, None)
    expected = np.rint((luma.astype(np.float64) - 16) * 255 / 219).clip(0, 255)
    np.testing.assert_array_equal(grey, expected)
    assert chroma is None


@pytest.mark.parametrize("pixels", ["rgb24", "bgr24", "rgba", "bgra", "rgb0", "bgr0"])
def test_packed_colours_match_the_conversion_of_ffmpeg(pixels: str) -> None:
    frame = av.VideoFrame(WIDTH, HEIGHT, pixels)
    plane = frame.planes[0]
    plane.update(noise(plane.buffer_size).tobytes())
    rgb = np.asarray(frame.to_ndarray(format="rgb24"), np.uint8)
    grey, chroma = to_display(frame, None)
    np.testing.assert_array_equal(grey, cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))
    np.testing.assert_array_equal(chroma, chroma_from_rgb(rgb))


def test_a_picture_keeps_its_values_when_its_frame_is_overwritten() -> None:
    frame = av.VideoFrame(WIDTH, HEIGHT, "yuvj420p")
    for plane in frame.planes:
        plane.update(bytes([90]) * plane.buffer_size)
    grey, _ = to_display(frame, None)
    frame.planes[0].update(bytes(frame.planes[0].buffer_size))
    assert (grey == 90).all()
