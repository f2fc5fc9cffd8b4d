"""What reading a clip costs beside its bare decoding: sector, scale, quality, and all that a scan does but detect."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.bench.blind import BlindDetector
from pipeline.bench.healthy import VIDEOS, moving_speckle, write_video
from pipeline.exams import ExamClip
from pipeline.scan import scan_clip
from pipeline.settings import Settings

__all__ = ["ReadingSpeed", "measure_reading", "reading_table"]

# A recorder's usual size and a sweep's usual length.
HEIGHT, WIDTH, FRAMES = 768, 1024, 300
REPEATS = 3


@dataclass(frozen=True)
class ReadingSpeed:
    """Processor time for a frame. bare_ms : decoded and let go;  grey_ms : decoded and made a grey array by PyAV

    read_ms : read as the batch does, all but detected
    """

    file: str
    frames: int
    bare_ms: float
    grey_ms: float
    read_ms: float

    @property
    def ratio(self) -> float:
        return self.read_ms / self.bare_ms

    def document(self) -> dict[str, Any]:
        return {**vars(self), "ratio": round(self.ratio, 3)}


def measure_reading(
    folder: Path,
    settings: Settings,
    *,
    videos: Sequence[tuple[str, str, str]] = VIDEOS,
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
        work = (partial(_decode, path, grey=False), partial(_decode, path, grey=True), partial(_read, path, settings))
        rounds = [[_seconds(each) for each in work] for _ in range(REPEATS)]
        speeds.append(ReadingSpeed(name, frames, *(1000 * min(times) / frames for times in zip(*rounds, strict=True))))
        progress(number, len(videos))
    return speeds


def reading_table(speeds: Sequence[ReadingSpeed]) -> str:
    head = f"{'':<12}{'bare, ms':>10}{'grey, ms':>10}{'read, ms':>10}{'read / bare':>13}"
    rows = [f"{s.file:<12}{s.bare_ms:>10.2f}{s.grey_ms:>10.2f}{s.read_ms:>10.2f}{s.ratio:>13.2f}" for s in speeds]
    legend = f"""\
Processor time for a frame of {WIDTH} x {HEIGHT} px. Bare: decoded and let go. Grey: decoded and made a grey array by
PyAV. Read: all that a scan does but detection."""
    return "\n".join([head, *rows, legend])


def _seconds(work: Callable[[], None]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _decode(path: Path, *, grey: bool) -> None:
    import av

    with av.open(str(path)) as container:
        stream: Any = container.streams.video[0]
        stream.codec_context.thread_count = 1
        for picture in container.decode(stream):
            if grey:
                picture.to_ndarray(format="gray")


def _read(path: Path, settings: Settings) -> None:
    scan = scan_clip(ExamClip(path, path.name, None, None, None), "", BlindDetector(), settings, lambda frames: None)
    if scan.status != "done":
        raise RuntimeError(f"{path}: the clip made for timing was refused: {scan.reason}")
