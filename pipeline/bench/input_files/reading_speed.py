"""Compares the time to read a clip, with sector, scale and quality, and to scan it, with the time to decode it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.bench.input_files.sample_files import VIDEO_FORMATS, moving_speckle, write_video
from pipeline.exams.exam import ExamClip
from pipeline.ingest.clip import open_clip
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.ingest.sector.ruler import find_ruler
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import Settings

__all__ = ["ReadingSpeed", "measure_reading_speed", "reading_speed_table"]

# A common size of recordings, in px, and a common length of sweeps.
_HEIGHT, _WIDTH, _FRAMES = 768, 1024, 300
_REPEATS = 3


@dataclass(frozen=True)
class ReadingSpeed:
    """Processor time per frame.

    decode_ms : decoding only;  decode_rgb_ms : decoding and conversion to an RGB array by PyAV
    read_ms : reading the grey picture that a player shows, with sector, scale and quality
    scan_ms : a complete scan without detection, which also keeps pictures and searches for turns and shell signs
    """

    file: str
    frames: int
    decode_ms: float
    decode_rgb_ms: float
    read_ms: float
    scan_ms: float

    @property
    def ratio(self) -> float:
        """Reading time divided by decoding time."""
        return self.read_ms / self.decode_ms

    def document(self) -> dict[str, Any]:
        return {**vars(self), "ratio": round(self.ratio, 3)}


def measure_reading_speed(
    folder: Path,
    settings: Settings,
    *,
    videos: Sequence[tuple[str, str, str]] = VIDEO_FORMATS,
    frames: int = _FRAMES,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> list[ReadingSpeed]:
    """Time one clip of each container and codec. The clips are written to ``folder``, which is created if missing.

    The processor time of one thread is measured, so that other work on the machine has little influence. Each value is
    the best of several rounds.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures = moving_speckle(frames, height=_HEIGHT, width=_WIDTH)
    speeds = []
    for number, (name, codec, pixels) in enumerate(videos, 1):
        path = write_video(folder / name, codec, pixels, pictures)
        work = (
            partial(_decode, path, rgb=False),
            partial(_decode, path, rgb=True),
            partial(_read, path, settings),
            partial(_scan, path, settings),
        )
        rounds = [[_cpu_seconds(each) for each in work] for _ in range(_REPEATS)]
        speeds.append(ReadingSpeed(name, frames, *(1000 * min(times) / frames for times in zip(*rounds, strict=True))))
        progress(number, len(videos))
    return speeds


def reading_speed_table(speeds: Sequence[ReadingSpeed]) -> str:
    names = ("decode, ms", "RGB, ms", "read, ms", "scan, ms")
    heading = f"{'':<12}{''.join(f'{name:>12}' for name in names)}{'read / decode':>15}{'read / RGB':>12}"
    rows = [
        f"{each.file:<12}{each.decode_ms:>12.2f}{each.decode_rgb_ms:>12.2f}{each.read_ms:>12.2f}{each.scan_ms:>12.2f}"
        f"{each.ratio:>15.2f}{each.read_ms / each.decode_rgb_ms:>12.2f}"
        for each in speeds
    ]
    legend = f"""\
Processor time per frame of {_WIDTH} x {_HEIGHT} px. Decode: decoding only. RGB: decoding to an RGB array by PyAV.
Read: reading the grey picture, with sector, scale and quality. Scan: a complete scan without detection."""
    return "\n".join([heading, *rows, legend])


def _cpu_seconds(work: Callable[[], None]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def _decode(path: Path, *, rgb: bool) -> None:
    import av

    with av.open(str(path)) as container:
        stream: Any = container.streams.video[0]
        stream.codec_context.thread_count = 1
        for picture in container.decode(stream):
            if rgb:
                picture.to_ndarray(format="rgb24")


def _read(path: Path, settings: Settings) -> None:
    with open_clip(path, settings.ingest) as recording:
        usable = UsableFrames(recording, recording.calibration, settings.ingest, lambda frames: None)
        if usable.sector is None or usable.opening_frame is None or sum(1 for _ in usable) == 0:
            raise RuntimeError(f"{path}: the clip for the measurement cannot be used: {usable.rejection_reason(0)}")
        find_ruler(usable.opening_frame.grey, usable.sector)


def _scan(path: Path, settings: Settings) -> None:
    scan = scan_clip(ExamClip(path, path.name, None, None, None), "", BlindDetector(), settings, lambda frames: None)
    if scan.status != "done":
        raise RuntimeError(f"{path}: the clip for the measurement was refused: {scan.reason}")
