"""Results of a real batch, opened for review: without answers everything is as the batch wrote it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.batch.run import run_batch
from pipeline.people.journal import Journal
from pipeline.review.cases import CaseError, CaseStore
from pipeline.review.replay import replay
from pipeline.settings import load_settings
from pipeline.store.exam_lists import ExamQuery
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three animals: two windows and a file that is not a video; nothing seen; a recording of another animal."""
    folder = tmp_path_factory.mktemp("night")
    root = folder / "root"
    exam = write_exam_folder(root, "AF-0001", {"left-1.mp4": 3, "right-1.mp4": 2}, seed=1)
    (exam / "right-2.mp4").write_bytes(b"no video")
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 0}, seed=11)
    copied = write_exam_folder(root, "AF-0003", {"left-1.mp4": 1}, seed=21)
    shutil.copy(exam / "left-1.mp4", copied / "left-1.mp4")
    run_batch(root, folder / "out", SETTINGS, BlobFinder)
    return folder / "out"


def test_without_answers_every_finding_is_the_batch_s_own(out: Path) -> None:
    cases = CaseStore(out, SETTINGS, Journal(out))
    summaries, count = cases.listed(ExamQuery(), 0, 10)
    summaries.sort(key=lambda summary: summary.folder)
    assert count == len(summaries) == len(cases.folders())
    assert [summary.exam.animal for summary in summaries] == ["AF-0001", "AF-0002", "AF-0003"]
    codes = {flag.code for summary in summaries for flag in summary.finding.flags}
    assert {"clip-refused", "same-recording", "none-seen-poor-scan"} <= codes
    for summary in summaries:
        case = cases.case(summary.folder)
        assert case is not None
        assert case.finding(replay(case.snapshot, (), {})) == summary.finding
    cases.close()


@pytest.mark.parametrize("folder", ["../root", "AF-0001/../AF-0001/2026-05-14", "/etc", "AF-0001", "", "AF-0009/x"])
def test_only_folders_that_the_batch_wrote_are_cases(out: Path, folder: str) -> None:
    cases = CaseStore(out, SETTINGS, Journal(out))
    assert cases.case(folder) is None
    cases.close()


def test_results_of_other_settings_are_rejected(out: Path) -> None:
    other = SETTINGS.model_copy(update={"estimate": SETTINGS.estimate.model_copy(update={"unreached_share": 0.2})})
    cases = CaseStore(out, other, Journal(out))
    with pytest.raises(CaseError, match="other settings"):
        cases.case("AF-0001/2026-05-14")
    cases.close()


def test_a_new_batch_is_noticed(out: Path) -> None:
    cases = CaseStore(out, SETTINGS, Journal(out))
    before = cases.case("AF-0002/2026-05-14")
    write_exam_folder(out.parent / "root", "AF-0004", {"left-1.mp4": 1}, seed=31)
    run_batch(out.parent / "root", out, SETTINGS, BlobFinder)
    assert cases.case("AF-0004/2026-05-14") is not None
    assert cases.case("AF-0002/2026-05-14") is before  # unchanged, so not loaded again
    cases.close()
