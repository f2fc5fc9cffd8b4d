"""What a method costs, from the file to outlines: time a frame, and memory, in a process of its own.

Each method reads the same clips with one thread of OpenCV, after a first clip that is not timed, since libraries and
weights are loaded then.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2

from pipeline.bench.ground_truth import DataSet
from pipeline.bench.methods.method import load_method
from pipeline.bench.methods.usable_clips import UsableClip, usable_clips
from pipeline.detect.detector import FrameDetector
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import Settings
from pipeline.store.atomic_write import write_atomically
from pipeline.worker.process_use import peak_mib

__all__ = ["MethodCost", "batch_cost", "method_cost", "read_cost", "write_cost"]

_FILE_NAME = "cost.json"
_FRAMES = 200  # at least, unless the data set has fewer (judgement)

# Reads one clip and returns the number of its frames.
_Reader = Callable[[UsableClip], int]


@dataclass(frozen=True)
class MethodCost:
    """clips, frames : that were read;  processor_ms, clock_ms : a frame, of all threads and on the clock
    peak_mib : the most resident memory of the process, with Python and all libraries
    """

    clips: int
    frames: int
    processor_ms: float
    clock_ms: float
    peak_mib: int

    def document(self) -> dict[str, Any]:
        return asdict(self)


def method_cost(data_set: DataSet, name: str, values: Mapping[str, Any], settings: Settings) -> MethodCost | None:
    """That of a method. name : ``module:function``;  values : of its settings;  None without a clip that can be read"""
    return _in_a_process(data_set, partial(_method_reader, name, dict(values), settings))


def batch_cost(data_set: DataSet, load_detector: Callable[[], FrameDetector], settings: Settings) -> MethodCost | None:
    """That of our own scan, which also follows, and keeps pictures. load_detector : it is sent by pickle"""
    return _in_a_process(data_set, partial(_scan_reader, load_detector, settings))


def write_cost(folder: Path, cost: MethodCost | None) -> None:
    """Keep it beside what the method found; nothing where nothing was measured. Raises OutputError."""
    if cost is not None:
        write_atomically(folder / _FILE_NAME, [json.dumps(cost.document(), indent=2).encode(), b"\n"])


def read_cost(folder: Path) -> MethodCost | None:
    """What `write_cost` kept, None where it kept nothing."""
    path = folder / _FILE_NAME
    return MethodCost(**json.loads(path.read_text(encoding="utf-8"))) if path.exists() else None


def _method_reader(name: str, values: Mapping[str, Any], settings: Settings) -> _Reader:
    method = replace(load_method(name), settings=values)

    def read(clip: UsableClip) -> int:
        with clip.frames(settings.ingest) as frames:
            return sum(1 for _ in method.outlines(picture for _, picture in frames))

    return read


def _scan_reader(load_detector: Callable[[], FrameDetector], settings: Settings) -> _Reader:
    detector = load_detector()
    return lambda clip: scan_clip(clip.clip, "", detector, settings).frames


def _in_a_process(data_set: DataSet, make_reader: Callable[[], _Reader]) -> MethodCost | None:
    clips = _first_clips(data_set)
    if not clips:
        return None
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        return pool.submit(_measure, make_reader, clips).result()


def _first_clips(data_set: DataSet) -> list[UsableClip]:
    chosen: list[UsableClip] = []
    for clip in usable_clips(data_set):
        if sum(len(each.frame_index) for each in chosen) < _FRAMES:
            chosen.append(clip)
    return chosen


def _measure(make_reader: Callable[[], _Reader], clips: Sequence[UsableClip]) -> MethodCost:
    cv2.setNumThreads(1)
    read = make_reader()
    read(clips[0])
    start, start_processor = time.perf_counter(), time.process_time()
    frames = sum(read(clip) for clip in clips)
    clock_s, processor_s = time.perf_counter() - start, time.process_time() - start_processor
    number = max(frames, 1)
    return MethodCost(len(clips), frames, 1e3 * processor_s / number, 1e3 * clock_s / number, peak_mib(os.getpid()))
