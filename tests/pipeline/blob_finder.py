"""A detector without a network, and clips made for it: bright rings on speckle in a rectangle.

``python tests/pipeline/blob_finder.py batch ...`` runs the real command line with this detector.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.batch.settling import Settling
from pipeline.detect.detector import Detections, ModelInfo
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import Settings
from pipeline.settings_tables import RunSettings

__all__ = ["FAINT", "BlobFinder", "film", "load_blob_finder", "without_waiting", "write_exam_folder", "write_video"]

WIDTH, HEIGHT = 192, 160
WALL_PX = 3
BRIGHT, FAINT = 240, 215  # grey levels of eggs' walls; a faint egg is an uncertain one
FAINT_SCORE = 0.45


class BlobFinder:
    """Every bright patch is a calcified egg, a faint one with a low score.

    detected_frames : the frames that it was given so far
    """

    model = ModelInfo("blob-finder", "b" * 64)
    engine_name = "blobs"

    def __init__(self) -> None:
        self.detected_frames: list[int] = []

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        time.sleep(float(os.environ.get("BLOB_SECONDS", "0")) * len(frames))
        self.detected_frames += [frame.index for frame in frames]
        return [self.detect_frame(frame, sector) for frame in frames]

    def detect_frame(self, frame: Frame, sector: Sector) -> Detections:
        bright = ((frame.grey > 200) & sector.mask).astype(np.uint8)
        number, labels, stats, centres = cv2.connectedComponentsWithStats(bright)
        rows = [label for label in range(1, number) if stats[label, cv2.CC_STAT_AREA] > 40]
        sides = stats[rows][:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]] / 2.0 + 0.5
        # The lossy video changes single pixels, so the median of each patch counts.
        levels = np.array([np.median(frame.grey[labels == label]) for label in rows])
        major, minor = sides.max(axis=1, initial=0.0), sides.min(axis=1, initial=1e9)
        angle = np.where(sides[:, 0] >= sides[:, 1], 0.0, 90.0)
        ellipses = np.column_stack([centres[rows], major, minor, angle]).astype(np.float64)
        return Detections(
            frame=frame.index,
            ellipses=ellipses,
            depths_px=sector.depth_px(ellipses[:, :2]),
            stage_probabilities=np.tile([0.02, 0.03, 0.95], (len(rows), 1)),
            scores=np.where(levels < (BRIGHT + FAINT) / 2, FAINT_SCORE, 0.9),
            outline_uncertainties=np.full((len(rows), 2), np.nan),
        )


def load_blob_finder(engine: str, weights: Path | None, settings: Settings) -> BlobFinder:
    """In place of `pipeline.cli.batch_runner.load_detector`. Worker processes find it by its name."""
    return BlobFinder()


def without_waiting(settings: RunSettings) -> Settling:
    """In place of `pipeline.batch.settling.Settling`: what may still be being copied is left for the next run."""
    return Settling(settings.model_copy(update={"settle_wait_seconds": 0.0}))


def film(eggs: int, *, frames: int = 40, seed: int = 0, wall: int = BRIGHT) -> list[NDArray[np.uint8]]:
    """Frames (H, W) uint8 of speckle in a rectangle on black, and eggs that appear and disappear side by side."""
    rng = np.random.default_rng(seed)
    pictures = []
    for index in range(frames):
        picture = np.zeros((HEIGHT, WIDTH), np.uint8)
        picture[10:150, 16:176] = rng.integers(20, 110, (140, 160))
        for egg in range(eggs):
            begin, end = 5, frames - 5
            if begin <= index < end:
                grown = np.sin(np.pi * (index - begin + 1) / (end - begin + 1))
                centre = (40 + 36 * egg % 140, 50 + 40 * (egg // 4) + index // 8)
                axes = (int(6 + 8 * grown), int(5 + 6 * grown))
                cv2.ellipse(picture, centre, axes, 0, 0, 360, wall, -1)
                # Dark within a bright wall, or the picture would show a follicle.
                cv2.ellipse(picture, centre, (axes[0] - WALL_PX, axes[1] - WALL_PX), 0, 0, 360, 30, -1)
        pictures.append(picture)
    return pictures


def write_video(path: Path, pictures: Sequence[NDArray[np.uint8]], codec: str = "libx264") -> None:
    """Write the pictures as a grey video of 25 frames a second, without visible loss."""
    import av

    path.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(codec, rate=25)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "10", "preset": "ultrafast"} if codec == "libx264" else {"qscale": "2"}
        for picture in pictures:
            frame = av.VideoFrame.from_ndarray(np.repeat(picture[..., None], 3, axis=2), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def write_exam_folder(
    root: Path,
    animal: str,
    eggs: dict[str, int],
    *,
    date: str = "2026-05-14",
    frames: int = 40,
    seed: int = 0,
    wall: int = BRIGHT,
) -> Path:
    """Write an exam with one clip for each file name in ``eggs``, and its side file. eggs : how many each clip shows"""
    folder = root / animal / date
    folder.mkdir(parents=True)
    lines = [f'animal = "{animal}"', f"date = {date}", "carapace_width_mm = 118"]
    for number, (file, count) in enumerate(eggs.items()):
        write_video(folder / file, film(count, frames=frames, seed=seed + number, wall=wall))
        window = "left" if file.startswith("left") else "right"
        lines += ["[[clip]]", f'file = "{file}"', f'window = "{window}"', "mm_per_px = 0.5"]
    (folder / "exam.toml").write_text("\n".join(lines) + "\n")
    return folder


def main(change: Callable[[], None] = lambda: None) -> int:
    """The command line with the blob finder in place of the network; ``change`` may replace more of it."""
    from pipeline.batch import clip_reuse
    from pipeline.cli import app, batch_runner

    clip_reuse.Settling = without_waiting
    batch_runner.load_detector = load_blob_finder
    change()
    return app.main(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
