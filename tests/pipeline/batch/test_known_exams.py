"""Exams that have not changed need no look, and whatever changes one brings it back."""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, NoReturn

import pytest

from pipeline.attacks.kills import without_run_time
from pipeline.batch.events import BatchEvent, ExamStarted
from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.exams.outcomes import Outcome
from pipeline.people.answers import SignExam
from pipeline.people.event_log import EventContent, EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import add_outcomes
from pipeline.settings import Settings, load_settings
from pipeline.store.seen_folders import seen_path
from pipeline.store.sqlite_database import database_path
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video
from tests.pipeline.run_ended import contents

SETTINGS = load_settings()
FIRST, LATER, OTHER = "AF-0001/2026-05-14", "AF-0001/2026-06-02", "AF-0002/2026-05-14"


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 3}, frames=16, seed=1)
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2}, frames=16, seed=2, date="2026-06-02")
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 2}, frames=16, seed=11)
    return root


@pytest.fixture
def out(root: Path, tmp_path: Path) -> Path:
    """Results of one night."""
    night(root, tmp_path / "out")
    return tmp_path / "out"


def night(root: Path, out: Path, settings: Settings = SETTINGS, **options: Any) -> tuple[BatchReport, set[str]]:
    """The report, and the exams that were looked at."""
    seen: set[str] = set()

    def note(event: BatchEvent) -> None:
        if isinstance(event, ExamStarted):
            seen.add(f"{event.animal}/{event.date}")

    return run_batch(root, out, settings, BlobFinder, network_key="one", on_event=note, **options), seen


def must_not_load() -> NoReturn:
    raise AssertionError("the network was loaded")


def test_night_with_nothing_new_loads_no_network_and_writes_nothing(root: Path, out: Path) -> None:
    files = [path for path in out.rglob("[!.]*") if path.is_file() and path.suffix != ".sqlite"]
    before = {path: path.stat().st_mtime_ns for path in files if path.name != "index.html"}
    index = re.sub(rb'data-ended="[^"]*"', b'data-ended="2026-05-14T04:00:00+00:00"', (out / "index.html").read_bytes())
    (out / "index.html").write_bytes(index)
    report = run_batch(root, out, SETTINGS, must_not_load, network_key="one")
    assert [(exam.animal, exam.date, exam.status) for exam in report.exams] == [
        ("AF-0001", "2026-05-14", "unchanged"),
        ("AF-0001", "2026-06-02", "unchanged"),
        ("AF-0002", "2026-05-14", "unchanged"),
    ]
    assert [clip.status for clip in report.clips] == ["kept"] * 3
    assert report.index is not None
    assert {path: path.stat().st_mtime_ns for path in before} == before
    dated = (out / "index.html").read_bytes()
    assert dated != index, "the index does not say that this night ran"
    assert without_run_time(dated) == without_run_time(index)


def test_night_with_nothing_new_loads_no_library_that_reads_clips(root: Path, out: Path) -> None:
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from pipeline.review.batch_with_signatures import run_batch_with_signatures\n"
        "from pipeline.settings import load_settings\n"
        f"paths = Path({str(root)!r}), Path({str(out)!r})\n"
        "report = run_batch_with_signatures(*paths, load_settings(), None, network_key='one')\n"
        "assert len(report.known) == 3 and not report.problems, report\n"
        "heavy = {'openvino', 'torch', 'av', 'cv2', 'scipy', 'pydicom', 'PIL', 'alembic', 'pipeline.scan.clip_scan', "
        "'pipeline.estimate.exam_estimate', 'pipeline.report.output_files'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_another_network_is_found_out_by_its_key(root: Path, out: Path) -> None:
    with pytest.raises(AssertionError, match="the network was loaded"):
        run_batch(root, out, SETTINGS, must_not_load, network_key="another")


def side_file(root: Path, out: Path) -> None:
    path = root / OTHER / "exam.toml"
    path.write_text(path.read_text() + "\n")


def new_clip(root: Path, out: Path) -> None:
    write_video(root / OTHER / "right-1.mp4", film(1, frames=16, seed=5))


def deleted_sheet(root: Path, out: Path) -> None:
    (out / OTHER / "report.pdf").unlink()


def deleted_result(root: Path, out: Path) -> None:
    with closing(sqlite3.connect(database_path(out))) as connection, connection:
        connection.execute("DELETE FROM exams WHERE animal = 'AF-0002'")


def outcome(root: Path, out: Path) -> None:
    with closing(Journal(out)) as journal:
        add_outcomes(journal, [Outcome("af-0002", "laid", dt.date(2026, 5, 1), 3)])


def signature(root: Path, out: Path) -> None:
    with closing(Journal(out)) as journal, EventLog(journal).transaction(ExamKey("AF-0002", "2026-05-14")) as answers:
        answer = SignExam(name="Orla Finch", role="veterinarian", logged_in=False)
        answers.append(EventContent("Orla Finch", "r", 1, answer, {}, {"shelled": [1, 2, 1, 3]}))


def link(root: Path, out: Path) -> None:
    (root / OTHER / "note.txt").symlink_to(root / FIRST / "exam.toml")


CHANGES = [side_file, new_clip, deleted_sheet, deleted_result, outcome, signature, link]


@pytest.mark.parametrize("change", CHANGES, ids=lambda each: each.__name__)
def test_whatever_changes_an_exam_brings_it_back(root: Path, out: Path, change: Callable[[Path, Path], None]) -> None:
    change(root, out)
    report, looked_at = night(root, out)
    assert looked_at == {OTHER}
    assert len(report.exams) == 3
    assert night(root, out)[1] == ({OTHER} if change is link else set())


def test_later_exams_of_the_same_animal_are_looked_at_as_well(root: Path, out: Path) -> None:
    side = root / FIRST / "exam.toml"
    side.write_text(side.read_text().replace("carapace_width_mm = 118", "carapace_width_mm = 119"))
    assert night(root, out)[1] == {FIRST, LATER}


def test_exam_with_the_same_recording_is_looked_at_as_well(root: Path, out: Path) -> None:
    write_exam_folder(root, "AF-0009", {}, date="2026-05-14")
    shutil.copy(root / OTHER / "left-1.mp4", root / "AF-0009/2026-05-14/left-1.mp4")
    report, looked_at = night(root, out)
    assert looked_at == {"AF-0009/2026-05-14", OTHER}
    reasons = {exam.animal: exam.clips[0].reason for exam in report.exams if exam.clips[0].reason}
    assert reasons.keys() == {"AF-0009", "AF-0002"}


def test_second_folder_of_a_known_exam_is_a_problem_of_both(root: Path, out: Path) -> None:
    shutil.copytree(root / OTHER, root / "copied" / "AF-0002" / "2026-05-14")
    report, _ = night(root, out)
    assert "exams of the same animal, AF-0002, on the same date" in report.problems[0].reason
    assert "AF-0002" not in {exam.animal for exam in report.exams}


def test_other_settings_change_every_exam(root: Path, out: Path) -> None:
    flags = SETTINGS.flags.model_copy(update={"wide_interval_eggs": 1})
    assert len(night(root, out, SETTINGS.model_copy(update={"flags": flags}))[1]) == 3


def test_lost_or_damaged_memory_costs_time_and_nothing_else(root: Path, out: Path) -> None:
    seen_path(out).write_bytes(b"not a database at all" * 200)
    report, looked_at = night(root, out)
    assert (len(looked_at), {exam.status for exam in report.exams}) == (3, {"unchanged"})
    assert night(root, out)[1] == set()


@pytest.fixture
def rotten(root: Path, out: Path) -> Path:
    """A clip of which some bytes changed, and neither size nor time."""
    clip = root / OTHER / "left-1.mp4"
    before = clip.stat()
    content = bytearray(clip.read_bytes())
    content[-200:-100] = bytes(100)
    clip.write_bytes(content)
    os.utime(clip, ns=(before.st_atime_ns, before.st_mtime_ns))
    return clip


def test_bytes_that_change_behind_size_and_time_are_found_by_verifying(root: Path, out: Path, rotten: Path) -> None:
    never = SETTINGS.model_copy(update={"run": SETTINGS.run.model_copy(update={"sample_days": 0})})
    assert night(root, out, never)[1] == set()
    report, looked_at = night(root, out, never, verify=True)
    assert len(looked_at) == 3
    (problem,) = report.problems
    assert (problem.path, "although its size and time have not" in problem.reason) == (rotten, True)
    assert night(root, out, never, verify=True)[0].problems == ()


def test_bytes_at_the_end_are_found_when_it_is_their_turn(root: Path, out: Path, rotten: Path) -> None:
    daily = SETTINGS.model_copy(update={"run": SETTINGS.run.model_copy(update={"sample_days": 1})})
    assert night(root, out, daily)[1] == {OTHER}


def test_results_are_those_of_a_night_that_looks_at_everything(root: Path, out: Path, tmp_path: Path) -> None:
    for change in (new_clip, side_file):
        change(root, out)
        night(root, out)
    night(root, tmp_path / "fresh")
    assert contents(out) == contents(tmp_path / "fresh")
