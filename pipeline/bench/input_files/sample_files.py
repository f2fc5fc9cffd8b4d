"""Small intact files of every kind that the pipeline reads, to be damaged or timed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.input_files.sample_dicom_files import write_dicom_files

__all__ = ["EXAM_TOML", "VIDEO_FORMATS", "moving_speckle", "write_sample_files", "write_video"]

EXAM_TOML = """\
animal = "AF-0412"
species = "Emys orbicularis"
date = 2026-05-14
weight_g = 830
carapace_mm = 152
passed_before = 2
[[clip]]
file = "left-1.png"
window = "left"
mm_per_px = 0.22
"""

# File name, codec and pixel format.
VIDEO_FORMATS: tuple[tuple[str, str, str], ...] = (
    ("h264.mp4", "libx264", "yuv420p"),
    ("mpeg4.mkv", "mpeg4", "yuv420p"),
    ("hevc.mp4", "libx265", "yuv420p"),
    ("mpeg4.avi", "mpeg4", "yuv420p"),
    ("mpeg2.mpg", "mpeg2video", "yuv420p"),
    ("wmv2.wmv", "wmv2", "yuv420p"),
    ("mjpeg.avi", "mjpeg", "yuvj420p"),
    ("h264.mov", "libx264", "yuv444p"),
    ("ffv1.mkv", "ffv1", "yuv420p"),
    ("raw.avi", "rawvideo", "yuv420p"),
    ("still.gif", "gif", "gray"),
)


def moving_speckle(frames: int, *, height: int = 80, width: int = 96, seed: int = 0) -> list[NDArray[np.uint8]]:
    """Fully developed speckle in a rectangle on black, with a moving bar next to it, as of a clock; (H, W) each.

    The echo is complex Gaussian noise, smooth over a few pixels. Its magnitude is shown on a scale of 60 dB. From frame
    to frame it moves by a pixel and keeps a correlation of 0.9, as under a probe that moves by a part of its slice
    thickness, so that it is about as hard to encode as a real sweep. A disc in the middle is fluid without echoes.
    """
    import cv2

    rng = np.random.default_rng(seed)
    margin = height // 16
    echo_height, echo_width = height - 2 * margin, width - width // 6
    correlation = 0.9
    echo = np.zeros((echo_height, echo_width, 2), np.float32)
    depth, across = np.ogrid[:echo_height, :echo_width]
    is_fluid = np.hypot(depth - echo_height / 2, across - echo_width / 2) < echo_height / 5
    pictures = []
    for index in range(frames):
        fresh = cv2.GaussianBlur(rng.standard_normal(echo.shape, np.float32), (0, 0), 1.5)
        share = np.sqrt(1 - correlation**2) if index else 1.0
        echo = correlation * np.roll(echo, 1, axis=0) + np.float32(share / fresh.std()) * fresh
        level = 20 * np.log10(np.hypot(echo[..., 0], echo[..., 1]) + 1e-3) - 10.0
        level[is_fluid] = -60.0
        picture = np.zeros((height, width), np.uint8)
        picture[margin : margin + echo_height, margin : margin + echo_width] = np.clip(255 * (level / 60 + 0.5), 0, 255)
        picture[2 : margin - 1, -(2 + index % (width // 8)) :] = 200
        pictures.append(picture)
    return pictures


def write_video(path: Path, codec: str, pixels: str, pictures: Sequence[NDArray[np.uint8]]) -> Path:
    """Write the pictures at 25 per second. The suffix of the path decides on the container."""
    import av

    av.logging.set_level(av.logging.PANIC)
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(codec, rate=25)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = pixels
        stream.bit_rate = 8_000_000  # for the older codecs; the newer ones use a quality
        stream.options = (
            {"crf": "23", "preset": "ultrafast", "x265-params": "log-level=none"} if codec.startswith("libx26") else {}
        )
        for index, grey in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(np.repeat(grey[..., None], 3, axis=2), format="rgb24")
            frame.pts, frame.time_base = index, Fraction(1, 25)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def write_sample_files(folder: Path) -> list[Path]:
    """Write one file of every kind: videos, stills, DICOM files and an exam file. Returns their paths, sorted by name.

    folder : created if missing
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures = moving_speckle(8)
    for name, codec, pixels in VIDEO_FORMATS:
        write_video(folder / name, codec, pixels, pictures)
    for name, write in _stills().items():
        write(folder / name, pictures)
    write_dicom_files(folder, pictures, (folder / "h264.mp4").read_bytes())
    (folder / "exam.toml").write_text(EXAM_TOML, encoding="utf-8")
    return sorted(folder.iterdir())


def _stills() -> dict[str, Callable[[Path, Sequence[NDArray[np.uint8]]], None]]:
    from PIL import Image

    def save_first(path: Path, pictures: Sequence[NDArray[np.uint8]]) -> None:
        Image.fromarray(pictures[0]).save(path)

    def save_16_bits(path: Path, pictures: Sequence[NDArray[np.uint8]]) -> None:
        Image.fromarray(pictures[0].astype(np.uint16) * 257).save(path)

    def save_pages(path: Path, pictures: Sequence[NDArray[np.uint8]]) -> None:
        first, *others = map(Image.fromarray, pictures)
        first.save(path, save_all=True, append_images=others, compression="tiff_lzw")

    return {
        "still.png": save_first,
        "still.jpg": save_first,
        "still.bmp": save_first,
        "deep.png": save_16_bits,
        "pages.tiff": save_pages,
    }
