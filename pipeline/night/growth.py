"""How the cost of a night and of the review grows with the number of exams, measured on synthetic folders.

Each figure is measured in a process of its own, so that its memory is that of the night.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.events import ClipsRead
from pipeline.batch.run import run_batch
from pipeline.detect.detector import Detections, ModelInfo
from pipeline.exams.exam_search import find_exams
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.night.growth_folders import KEY, NETWORK, add_recordings, make_exams
from pipeline.night.status import read_status
from pipeline.people.event_log import EventLog
from pipeline.people.journal import Journal
from pipeline.review.cases import CaseStore
from pipeline.review.web.worklist import Filters, Worklist
from pipeline.settings import Settings
from pipeline.store.store import Store

__all__ = ["NEW_EXAMS", "GrowthFigures", "growth_table", "measure_growth"]

NEW_EXAMS = 500
"""Of the night that is not quiet, where nothing else is asked."""
SAMPLE = 200  # exams whose earlier ones are looked up
PAGES = 20  # of the worklist


@dataclass(frozen=True)
class GrowthFigures:
    """night_s, night_cpu_s, night_mib : of a night with nothing new: time on the clock, of the processor, and largest
    memory, with the program itself

    earlier_ms : to find an animal's earlier exams, mean;  status_s : to gather the status
    new_exams, new_s, new_cpu_s : of a night with so many new exams in the last season, whose recordings cannot be
    read: time on the clock, and of the processor with all its processes
    index_kb : the largest file of the current season's index, 1000 bytes
    review_s, review_cpu_s : from the start of the review to its address;  worklist_ms : processor time of a page, mean
    """

    exams: int
    night_s: float
    night_cpu_s: float
    night_mib: float
    earlier_ms: float
    status_s: float
    new_exams: int
    new_s: float
    new_cpu_s: float
    index_kb: float
    review_s: float
    review_cpu_s: float
    worklist_ms: float


def measure_growth(
    numbers: Sequence[int],
    folder: Path,
    settings: Settings,
    progress: Callable[[int], None],
    new_exams: int = NEW_EXAMS,
) -> Iterator[GrowthFigures]:
    """Figures for each number of exams. Synthetic folders are made under ``folder`` and removed.

    progress : called with how many exams were made
    """
    for number in numbers:
        root, out = folder / "recordings", folder / "results"
        for place in (root, out):
            shutil.rmtree(place, ignore_errors=True)
        try:
            make_exams(number, root, out, settings, progress)
            night_s, night_cpu_s, night_mib = _in_fresh_process(_measure_night, root, out, settings)
            earlier_ms, status_s = _in_fresh_process(_measure_look_ups, root, out, settings)
            (worklist_ms,) = _in_fresh_process(_measure_worklist, root, out, settings)
            review_s, review_cpu_s = _in_fresh_process(_measure_review, root, out, settings)
            add_recordings(new_exams, root)
            new_s, new_cpu_s = _in_fresh_process(_measure_new_exams, root, out, settings)
            index_kb = max(path.stat().st_size for path in out.glob("index*")) / 1000
            yield GrowthFigures(
                number,
                night_s,
                night_cpu_s,
                night_mib,
                earlier_ms,
                status_s,
                new_exams,
                new_s,
                new_cpu_s,
                index_kb,
                review_s,
                review_cpu_s,
                worklist_ms,
            )
        finally:
            for place in (root, out):
                shutil.rmtree(place, ignore_errors=True)


def growth_table(figures: Sequence[GrowthFigures]) -> str:
    """As Markdown, a row for each figure."""
    rows: list[tuple[str, Callable[[GrowthFigures], str]]] = [
        ("exams", lambda each: f"{each.exams:,}"),
        ("---", lambda each: "---:"),
        ("a night with nothing new", lambda each: f"{each.night_s:.1f} s"),
        ("of that, processor", lambda each: f"{each.night_cpu_s:.1f} s"),
        ("its memory", lambda each: f"{each.night_mib:.0f} MiB"),
        ("a night with new exams, processor", lambda each: f"{each.new_cpu_s:.1f} s"),
        ("of these there are", lambda each: f"{each.new_exams:,}"),
        ("earlier exams of an animal", lambda each: f"{each.earlier_ms:.1f} ms"),
        ("status", lambda each: f"{each.status_s:.1f} s"),
        ("largest page of the index", lambda each: f"{each.index_kb:.0f} kB"),
        ("review at its address", lambda each: f"{each.review_s:.1f} s"),
        ("of that, processor", lambda each: f"{each.review_cpu_s:.1f} s"),
        ("a page of its worklist, processor", lambda each: f"{each.worklist_ms:.0f} ms"),
    ]
    return "\n".join("| " + " | ".join([name, *map(text, figures)]) + " |" for name, text in rows)


Measure = Callable[[Path, Path, Settings], tuple[float, ...]]


def _in_fresh_process(measure: Measure, root: Path, out: Path, settings: Settings) -> tuple[float, ...]:
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as fresh:
        return fresh.submit(measure, root, out, settings).result()


class _NoNetwork:
    """Stands for a network that is never asked, since no recording can be read."""

    model, engine_name = ModelInfo(NETWORK.name, NETWORK.sha256), NETWORK.engine

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        raise AssertionError("no recording can be read")


def _must_not_load() -> NoReturn:
    raise AssertionError("a night with nothing new loads no network")


def _measure_night(root: Path, out: Path, settings: Settings) -> tuple[float, float, float]:
    start, cpu_start = time.perf_counter(), time.process_time()
    report = run_batch(root, out, settings, _must_not_load, network_key=KEY)
    seconds, cpu_seconds = time.perf_counter() - start, time.process_time() - cpu_start
    assert report.known
    assert not report.looked_at
    return seconds, cpu_seconds, _largest_memory_mib()


def _largest_memory_mib() -> float:
    """Of this process. What getrusage gives would begin with the memory of the process that started it."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:")) / 1024


def _measure_look_ups(root: Path, out: Path, settings: Settings) -> tuple[float, float]:
    start = time.perf_counter()
    status = read_status(out, settings, dt.datetime.now(dt.UTC))
    status_s = time.perf_counter() - start
    assert status.tonight is not None
    assert not status.tonight.new + status.tonight.changed + status.tonight.gone
    folders = sorted(root.glob("*/*"))
    exams = [find_exams(folder).exams[0] for folder in folders[:: max(len(folders) // SAMPLE, 1)]]
    times_s = []
    with closing(Journal(out)) as journal, Store(out) as store:
        backgrounds = AnimalBackgrounds.load(store, journal)
        for exam in exams:
            start = time.perf_counter()
            backgrounds.for_exam(exam)
            times_s.append(time.perf_counter() - start)
    return 1000 * statistics.fmean(times_s), status_s


def _measure_new_exams(root: Path, out: Path, settings: Settings) -> tuple[float, float]:
    start, workers_cpu_s = time.perf_counter(), 0.0

    def note(event: object) -> None:
        nonlocal workers_cpu_s
        if isinstance(event, ClipsRead):
            workers_cpu_s = event.processor_s

    report = run_batch(root, out, settings, _NoNetwork, network_key=KEY, on_event=note)
    assert report.looked_at
    return time.perf_counter() - start, time.process_time() + workers_cpu_s


def _measure_worklist(root: Path, out: Path, settings: Settings) -> tuple[float]:
    with closing(Journal(out)) as journal, closing(CaseStore(out, settings, journal)) as cases:
        worklist = Worklist(EventLog(journal), cases)
        start = time.process_time()
        for number in range(PAGES):
            lines, _ = worklist.lines(Filters(show="all", page=1 + number % 3))
            assert lines or number % 3
        return (1000 * (time.process_time() - start) / PAGES,)


def _measure_review(root: Path, out: Path, settings: Settings) -> tuple[float, float]:
    """As the command does it, until it says where its pages are."""
    command = (sys.executable, "-m", "pipeline", "review", "--out", str(out), "--port", "0")
    start = time.perf_counter()
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as review:
        assert review.stderr is not None
        address = next((line for line in review.stderr if "http://" in line), None)
        seconds, cpu_seconds = time.perf_counter() - start, _processor_s(review.pid)
        review.terminate()
    assert address is not None
    return seconds, cpu_seconds


def _processor_s(process: int) -> float:
    """What a process that runs has taken until now."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")  # user and system, proc(5)
