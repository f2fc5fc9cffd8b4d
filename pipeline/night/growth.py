"""How the cost of a night grows with the number of exams: output folders of synthetic exams, without any clip.

Every exam has a folder with two files of a few bytes, a folder of results with one file, and a row in the store, all as
a real night leaves them. Each figure is measured in a process of its own, so that its memory is that of the night.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import shutil
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import NoReturn

from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.exam_basis import exam_basis
from pipeline.batch.known_exams import KnownExams
from pipeline.batch.overview import bring_overview_up_to_date
from pipeline.batch.run import RESULT_VERSION, run_batch
from pipeline.batch.run_report import BatchReport, ClipReport, ClipStatus, ExamReport, ExamStatus, NetworkInUse
from pipeline.batch.stored_summaries import stored_exam
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam_search import Exam, find_exams
from pipeline.exams.folder_names import exam_folder
from pipeline.ingest.recording_identity import RecordingIdentity, file_sha256, file_state
from pipeline.night.night_record import NightRecord, ended_night, write_night
from pipeline.night.status import read_status
from pipeline.people.journal import Journal
from pipeline.report.summary import summarise
from pipeline.settings import Settings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.store import Store

__all__ = ["GrowthFigures", "growth_table", "measure_growth"]

EXAMS_PER_ANIMAL = 8
FILES = ("left-1.mp4", "right-1.mp4")
NETWORK = NetworkInUse("synthetic", "0" * 64, "none")
KEY = "synthetic"
SAMPLE = 200  # exams whose earlier ones are looked up


@dataclass(frozen=True)
class GrowthFigures:
    """night_s, night_cpu_s, night_mib : of a night with nothing new: time on the clock, of the processor, and largest
    memory, with the program itself

    earlier_ms : to find an animal's earlier exams, mean;  status_s : to gather the status
    """

    exams: int
    night_s: float
    night_cpu_s: float
    night_mib: float
    earlier_ms: float
    status_s: float


def measure_growth(
    numbers: Sequence[int], folder: Path, settings: Settings, progress: Callable[[int], None]
) -> Iterator[GrowthFigures]:
    """Figures for each number of exams. Synthetic folders are made under ``folder`` and removed.

    progress : called with how many exams were made
    """
    for number in numbers:
        root, out = folder / "recordings", folder / "results"
        for place in (root, out):
            shutil.rmtree(place, ignore_errors=True)
        try:
            _make_exams(number, root, out, settings, progress)
            fresh = multiprocessing.get_context("spawn")
            with fresh.Pool(1) as night, fresh.Pool(1) as others:
                night_s, night_cpu_s, night_mib = night.apply(_measure_night, (root, out, settings))
                earlier_ms, status_s = others.apply(_measure_look_ups, (root, out, settings))
            yield GrowthFigures(number, night_s, night_cpu_s, night_mib, earlier_ms, status_s)
        finally:
            for place in (root, out):
                shutil.rmtree(place, ignore_errors=True)


def growth_table(figures: Sequence[GrowthFigures]) -> str:
    """As Markdown."""
    lines = [
        "| exams | night with nothing new | of that, processor | its memory | earlier exams of an animal | status |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        f"| {each.exams:,} | {each.night_s:.1f} s | {each.night_cpu_s:.1f} s | {each.night_mib:.0f} MiB | "
        f"{each.earlier_ms:.1f} ms | {each.status_s:.1f} s |"
        for each in figures
    ]
    return "\n".join(lines)


def _make_exams(number: int, root: Path, out: Path, settings: Settings, progress: Callable[[int], None]) -> None:
    out.mkdir(parents=True)
    for index in range(number):
        date = dt.date(2010, 5, 14) + dt.timedelta(days=365 * (index % EXAMS_PER_ANIMAL))
        folder = root / f"AF-{index // EXAMS_PER_ANIMAL:06d}" / date.isoformat()
        folder.mkdir(parents=True)
        for file in FILES:
            (folder / file).write_bytes(f"{index} {file}".encode())
        (folder / "exam.toml").write_text('species = "Emys orbicularis"\nweight_g = 830\n', encoding="utf-8")
    with closing(Journal(out)) as journal, Store(out) as store, closing(SeenFolders(out)) as seen:
        basis_of = partial(exam_basis, settings, journal, RESULT_VERSION)
        known = KnownExams(seen, root, out, basis_of, frozenset())
        known.use_network(NETWORK)
        known.save_network(KEY)
        run = store.start_run(settings_sha256="", model_sha256=NETWORK.sha256, engine=NETWORK.engine)
        reports = []
        exams = find_exams(root, known.recall).exams
        finding = estimate_exam(exams[0], [], [], settings)
        for made, exam in enumerate(exams, 1):
            reports.append(_store_exam(exam, finding, store, known, out, run))
            if made % 1000 == 0:
                progress(made)
        report = BatchReport(root, out, tuple(reports), (), None, network=NETWORK)
        bring_overview_up_to_date(report, store, journal, seen, RESULT_VERSION, settings.pages)
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    write_night(out, ended_night(NightRecord(now, str(root), ended=now), report, 0))


def _store_exam(exam: Exam, finding: ExamFinding, store: Store, known: KnownExams, out: Path, run: int) -> ExamReport:
    date, files = exam.date.isoformat(), out / exam_folder(exam)
    files.mkdir(parents=True)
    (files / "result.json").write_bytes(b"{}")
    fingerprint = f"{exam.animal} {date}"
    store.save_exam(stored_exam(summarise(exam, finding, []), fingerprint), run)
    clips = tuple(ClipReport(clip.file, ClipStatus.KEPT, None) for clip in exam.clips)
    report = ExamReport(exam.animal, date, exam.folder, ExamStatus.UNCHANGED, None, clips, files)
    identities = {}
    for clip in exam.clips:
        sha256 = file_sha256(clip.path)
        identities[clip.path] = RecordingIdentity(file_state(clip.path), sha256, sha256)
    known.remember(exam, report, fingerprint, identities)
    return report


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
