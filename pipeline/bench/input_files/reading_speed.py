"""What reading a clip costs beside its bare decoding: sector, scale and quality, and then what else a scan does."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.bench.input_files.sample_files import VIDEO_FORMATS, moving_speckle, write_video
from pipeline.exams.exam_search import ExamClip
from pipeline.ingest.clip import open_clip
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.ingest.sector.ruler import find_ruler
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import Settings

__all__ = ["ReadingSpeed", "measure_reading_speed", "reading_speed_table"]

# A recorder's usual size and a sweep's usual length.
HEIGHT, WIDTH, FRAMES = 768, 1024, 300
REPEATS = 3


@dataclass(frozen=True)
class ReadingSpeed:
    """Processor time for a frame. decode_ms : decoded and let go;  decode_rgb_ms : decoded and made an RGB array by PyAV

    read_ms : made the grey picture that a player shows, with sector, scale and quality
    scan_ms : all that a scan does but detection: besides, it keeps pictures and looks for turns and signs
    """

    file: str
    frames: int
    decode_ms: float
    decode_rgb_ms: float
    read_ms: float
    scan_ms: float

    @property
    def ratio(self) -> float:
        return self.read_ms / self.decode_ms

    def document(self) -> dict[str, Any]:
        return {**vars(self), "ratio": round(self.ratio, 3)}


def measure_reading_speed(
    folder: Path,
    settings: Settings,
    *,
    videos: Sequence[tuple[str, str, str]] = VIDEO_FORMATS,
    frames: int = FRAMES,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> list[ReadingSpeed]:
    """Times one clip of each container and codec, written into ``folder``, which is made.

    Processor time on one thread, so that other work on the machine counts little; the best of several rounds in
    turn, so that a slow moment meets both.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures = moving_speckle(frames, height=HEIGHT, width=WIDTH)
    speeds = []
    for number, (name, codec, pixels) in enumerate(videos, 1):
        path = write_video(folder / name, codec, pixels, pictures)
        work = (
            partial(_decode, path, rgb=False),
            partial(_decode, path, rgb=True),
            partial(_read, path, settings),
            partial(_scan, path, settings),
        )
        rounds = [[_seconds(each) for each in work] for _ in range(REPEATS)]
        speeds.append(ReadingSpeed(name, frames, *(1000 * min(times) / frames for times in zip(*rounds, strict=True))))
        progress(number, len(videos))
    return speeds


def reading_speed_table(speeds: Sequence[ReadingSpeed]) -> str:
    names = ("bare, ms", "RGB, ms", "read, ms", "scan, ms")
    head = f"{'':<12}{''.join(f'{name:>10}' for name in names)}{'read / bare':>13}{'read / RGB':>12}"
    rows = [
        f"{s.file:<12}{s.decode_ms:>10.2f}{s.decode_rgb_ms:>10.2f}{s.read_ms:>10.2f}{s.scan_ms:>10.2f}{s.ratio:>13.2f}"
        f"{s.read_ms / s.decode_rgb_ms:>12.2f}"
        for s in speeds
    ]
    legend = f"""\
Processor time for a frame of {WIDTH} x {HEIGHT} px. Bare: decoded and let go. RGB: decoded and made an array by PyAV.
Read: made a grey picture, with sector, scale and quality. Scan: all that a scan does but detection."""
    return "\n".join([head, *rows, legend])


def _seconds(work: Callable[[], None]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


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
        judged = UsableFrames(recording, recording.calibration, settings.ingest, lambda frames: None)
        if judged.sector is None or judged.opening_frame is None or sum(1 for _ in judged) == 0:
            raise RuntimeError(f"{path}: the clip made for timing cannot be used: {judged.rejection_reason(0)}")
        find_ruler(judged.opening_frame.grey, judged.sector)


def _scan(path: Path, settings: Settings) -> None:
    scan = scan_clip(ExamClip(path, path.name, None, None, None), "", BlindDetector(), settings, lambda frames: None)
    if scan.status != "done":
        raise RuntimeError(f"{path}: the clip made for timing was refused: {scan.reason}")
