"""Small videos for tests, in any container and codec, and the frame times that ffprobe finds in them."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError, Frame
from pipeline.settings_tables import IngestSettings

HEIGHT, WIDTH = 96, 128


def block_picture(index: int, height: int = HEIGHT, width: int = WIDTH) -> NDArray[np.uint8]:
    """A dark picture with a bright block whose position shows the index. Lossy codecs keep it."""
    grey = np.full((height, width), 40, np.uint8)
    column = 8 * (index % 12)
    grey[16:40, column : column + 24] = 220
    grey[60:80, 20:100] = 130
    return grey


def encode_video(
    path: Path,
    codec: str,
    frames: int | Sequence[NDArray[np.uint8]] = 20,
    pixels: str = "yuv420p",
    *,
    times: Sequence[int] | None = None,
    aspect: Fraction | None = None,
    codec_options: dict[str, str] | None = None,
    **options: str,
) -> Path:
    """Writes a video at 25 frames per second.

    frames : the pictures, or the number of block pictures;  pixels : the pixel format
    times : presentation time of each frame, in 1/25 s;  aspect : width over height of a pixel
    options : of the container
    """
    pictures = [block_picture(index) for index in range(frames)] if isinstance(frames, int) else frames
    with av.open(str(path), "w", options=options) as container:
        stream: Any = container.add_stream(codec, rate=25)
        stream.height, stream.width = pictures[0].shape if len(pictures) else (HEIGHT, WIDTH)
        stream.pix_fmt = pixels
        stream.bit_rate = 4_000_000
        stream.options = codec_options or {}
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        container.start_encoding()
        for index, grey in enumerate(pictures):
            picture = av.VideoFrame.from_ndarray(np.dstack([grey] * 3), format="rgb24")
            picture.pts, picture.time_base = times[index] if times else index, Fraction(1, 25)
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    return path


def ffprobe_frame_times(path: Path) -> list[float | None]:
    """Presentation time in s, since the first frame, of every frame that ffprobe decodes; None where it has none.

    Skips the test if ffprobe is not installed.
    """
    if shutil.which("ffprobe") is None:
        pytest.skip("ffprobe is not installed")
    command = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries"]
    command += ["frame=pts_time,pkt_dts_time", "-of", "json"]
    output = subprocess.run([*command, str(path)], capture_output=True, check=True, timeout=60).stdout
    # MPEG packs hold more pictures than times. Without B frames, the decoding time is the presentation time.
    times = [frame.get("pts_time", frame.get("pkt_dts_time")) for frame in json.loads(output)["frames"]]
    return [None if time is None else float(time) - float(times[0]) for time in times]


def read_all_frames(path: Path, settings: IngestSettings) -> list[Frame]:
    """All frames of a recording, which must be read to its end."""
    with open_clip(path, settings) as clip:
        frames = list(clip)
        assert clip.broken_after_frames is None
        assert clip.reason is None
    return frames


def refusal_reason(path: Path, settings: IngestSettings) -> str:
    """The reason why a recording is refused, which must be a sentence that names it."""
    with pytest.raises(ClipError) as caught, open_clip(path, settings):
        pass
    reason = str(caught.value)
    assert reason.startswith(f"{path.name}: ")
    assert reason.endswith(".")
    return reason
