"""Files that show signatures follow the journal, wherever a program was killed; a last trace of one is kept."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.cli.exit_codes import ExitCode
from pipeline.people.answers import Answer, ReopenExam, SignExam
from pipeline.people.event_log import EventContent, EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.review.batch_with_signatures import run_batch_with_signatures
from pipeline.review.integrity import check_folder
from pipeline.review.signature_files import rebuild_in
from tests.pipeline.blob_finder import BlobFinder
from tests.pipeline.conftest import Clutchlight
from tests.pipeline.review.conftest import SETTINGS, Served, Visitor

KEY = ExamKey("AF-0412", "2026-05-14")
SIGNED = SignExam(name="Orla Finch", role="veterinarian", logged_in=False)


@pytest.fixture
def folder(out: Path) -> Path:
    """The exam's folder, signed by Orla Finch."""
    store_answer(out, SIGNED)
    assert rebuild_in(out, SETTINGS) == []
    return out / "AF-0412" / "2026-05-14"


def store_answer(out: Path, answer: Answer) -> None:
    """Store an answer as a review does that is killed before it writes the sheet."""
    with closing(Journal(out)) as journal:
        event_log = EventLog(journal)
        snapshot = next(iter(event_log.snapshots(KEY)), 0) or event_log.save_snapshot(KEY, "", snapshot_of(out))
        counts = {"shelled": [5, 6, 6, 7]}
        with event_log.transaction(KEY) as transaction:
            number = len(transaction.events)
            transaction.append(EventContent("Orla Finch", f"request-{number}", snapshot, answer, counts, counts))


def snapshot_of(out: Path) -> str:
    from pipeline.review.cases import CaseStore

    with closing(Journal(out)) as journal, closing(CaseStore(out, SETTINGS, journal)) as cases:
        case = cases.case("AF-0412/2026-05-14")
        assert case is not None
        return case.snapshot.dumps()


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.glob("signed.*")}


def test_a_sheet_that_was_not_written_is_written(folder: Path, out: Path) -> None:
    page = (folder / "signed.html").read_text()
    assert "Signed by <b>Orla Finch</b>, veterinarian" in page
    assert "Signed at this machine, not logged in. In the record of all answers: entry 2" in page
    assert "6 shelled eggs" in page  # the count that was signed, as the journal has it
    assert json.loads((folder / "signed.json").read_text())["signed"]["entry"] == 2
    assert check_folder(out).problems == ()


def test_a_batch_called_from_python_writes_it_too(folder: Path, night: Path, out: Path) -> None:
    sound = files(folder)
    (folder / "signed.html").unlink()
    report = run_batch_with_signatures(night.parent / "root", out, SETTINGS, BlobFinder)
    assert report.problems == ()
    assert files(folder) == sound


def test_a_reopened_exam_is_no_longer_shown_as_signed(folder: Path, out: Path) -> None:
    store_answer(out, ReopenExam(reason="a slip"))
    assert any("signed sheet is not what" in problem for problem in check_folder(out).problems)
    assert rebuild_in(out, SETTINGS) == []
    assert files(folder) == {}
    assert check_folder(out).problems == ()


@pytest.mark.parametrize("name", ["signed.html", "signed.json"])
def test_a_removal_that_was_killed_halfway_is_finished(folder: Path, out: Path, name: str) -> None:
    store_answer(out, ReopenExam(reason="a slip"))
    (folder / name).unlink()
    assert rebuild_in(out, SETTINGS) == []
    assert files(folder) == {}


@pytest.mark.parametrize("name", ["signed.html", "signed.json"])
def test_a_changed_or_missing_file_is_written_anew(folder: Path, out: Path, name: str) -> None:
    sound = files(folder)
    for change in (Path.unlink, lambda path: path.write_bytes(path.read_bytes().replace(b"Orla", b"Erna"))):
        change(folder / name)
        assert len(check_folder(out).problems) == 1
        if name == "signed.json" and (folder / name).exists():
            (folder / name).write_bytes(sound[name].replace(b'"veterinarian"', b'"director"'))
        assert rebuild_in(out, SETTINGS) == []
        assert files(folder) == sound


def test_the_server_and_the_batch_bring_the_files_up_to_date(
    serve: Callable[..., Served], clutchlight: Clutchlight, night: Path, folder: Path, out: Path, as_read: Path
) -> None:
    run = ("batch", night.parent / "root", "--out", out, "--settings", as_read, "--quiet")
    assert clutchlight(*run).code == 0
    assert "Signed by <b>Orla Finch</b>" in (folder / "report.html").read_text()
    store_answer(out, ReopenExam(reason="a slip"))
    assert clutchlight(*run).code == 0
    assert files(folder) == {}
    assert "Signed by" not in (folder / "report.html").read_text()
    assert "Orla" not in (out / "index.html").read_text()
    store_answer(out, SIGNED)
    serve()
    deadline = time.monotonic() + 30  # the pages are served meanwhile
    while len(files(folder)) < 3 and time.monotonic() < deadline:
        time.sleep(0.05)
    assert sorted(files(folder)) == ["signed.html", "signed.json", "signed.pdf"]


def test_a_signature_that_the_journal_does_not_hold_is_named_and_kept(
    clutchlight: Clutchlight, night: Path, folder: Path, out: Path, as_read: Path
) -> None:
    """An older people's file and its head were put in place of the newer ones."""
    sound = files(folder)
    for path in (people_path(out), out / "people.head"):
        path.unlink()
    for path in folder.glob("signed.*"):
        path.rename(out / path.name)
    Journal(out).close()  # a new one
    for name in sound:
        (out / name).rename(folder / name)
    (problem,) = rebuild_in(out, SETTINGS)
    assert "say that Orla Finch signed it, which people.sqlite does not hold" in problem
    assert files(folder) == sound
    assert any("Orla Finch signed it" in problem for problem in check_folder(out).problems)
    batch = clutchlight("batch", night.parent / "root", "--out", out, "--settings", as_read, "--quiet")
    assert batch.code == ExitCode.SOME_UNUSABLE
    assert "Orla Finch signed it" in batch.stderr
    assert files(folder) == sound


@pytest.fixture
def signed_by_earlier_version(folder: Path) -> Path:
    document = json.loads((folder / "signed.json").read_text())
    signed = {name: document["signed"][name] for name in ("name", "role", "at")}
    (folder / "signed.json").write_text(json.dumps({**document, "signed": signed, "sheet_sha256": None}))
    return folder


def test_files_of_an_earlier_version_are_written_anew(signed_by_earlier_version: Path, out: Path) -> None:
    assert rebuild_in(out, SETTINGS) == []
    assert check_folder(out).problems == ()


def test_a_reopened_exam_of_an_earlier_version_is_no_longer_shown(signed_by_earlier_version: Path, out: Path) -> None:
    store_answer(out, ReopenExam(reason="a slip"))
    assert rebuild_in(out, SETTINGS) == []
    assert files(signed_by_earlier_version) == {}


def test_the_check_finds_damage_of_every_part(folder: Path, out: Path, vet: Visitor) -> None:
    assert vet.submit({"kind": "reopened", "reason": "a slip"}, request_id="request-9").status_code == 200
    sound = check_folder(out)
    assert (sound.problems, sound.signed) == ((), 0)
    for path, problem in (
        (out / "clutchlight.sqlite", "missing or empty"),
        (folder / "result.json", "missing"),
        (folder / "report.pdf", "missing"),
    ):
        shutil.move(path, out / "away")
        found = check_folder(out).problems
        assert any(problem in one and str(path) in one for one in found), found
        shutil.move(out / "away", path)
    assert check_folder(out) == sound
