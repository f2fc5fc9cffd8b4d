"""Copies are of one moment, made while others write, kept by a rule, and put back only where nothing is lost by it."""

from __future__ import annotations

import datetime as dt
import stat
import threading
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.people.dated_copies import chain_tip, copied_head, copy_files
from pipeline.people.head_file import head_path
from pipeline.people.journal import Journal
from pipeline.people.restoring import RestoreError, restore
from pipeline.people.schema import people_path
from pipeline.store.dated_copies import CopyError, copies_folder, find_copies, remove_old_copies
from pipeline.store.lock import LockedError
from pipeline.store.sqlite_database import database_path
from pipeline.store.store import ScanKey, Store, StoredExam, StoredScan
from tests.pipeline.earlier_databases import set_back_people, write_reviews, write_store
from tests.pipeline.people.conftest import everything

KEY, SCAN = ScanKey("c", "m", "s", "e"), StoredScan(b"scan", ())


def add(out: Path) -> None:
    with closing(Journal(out)) as journal, journal.writing() as writer:
        writer.append("migration", {})


def test_copies_made_while_somebody_writes_are_whole(out: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    elsewhere, stop = tmp_path_factory.mktemp("disk"), threading.Event()

    def write() -> None:
        with closing(Journal(out)) as journal:
            while not stop.is_set():
                with journal.writing() as writer:
                    writer.append("migration", {})

    writing = threading.Thread(target=write)
    writing.start()
    try:
        copies = [copy_files([people_path(out)], elsewhere, "asked") for _ in range(10)]
    finally:
        stop.set()
        writing.join()
    tips = [chain_tip(copy.folder / "people.sqlite") for copy in copies]
    assert [copied_head(copy.folder) for copy in copies] == tips == sorted(tips)
    assert len({copy.folder for copy in copies}) == 10
    with closing(Journal(out)) as journal, journal.reading() as reader:
        assert all(reader.holds(tip) for tip in tips)
    for path in copies[0].folder.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(copies[0].folder.stat().st_mode) == 0o700


def test_the_last_copies_of_days_and_months_are_kept(out: Path) -> None:
    start = dt.datetime(2025, 1, 1, 2, tzinfo=dt.UTC)
    for day in range(0, 420, 3):
        for hour in (0, 1):
            copy_files([], copies_folder(out), "night", start + dt.timedelta(days=day, hours=hour))
    asked = copy_files([], copies_folder(out), "asked", start)
    moved = copy_files([], copies_folder(out), "migration", start)
    remove_old_copies(out, days=7, months=12)
    kept = find_copies(copies_folder(out))
    nights = [copy.made for copy in kept if copy.reason == "night"]
    assert {asked, moved} <= set(kept)
    last = [start + dt.timedelta(days=day, hours=1) for day in range(0, 420, 3)]
    months = {(made.year, made.month): made for made in last}
    assert nights == sorted({*last[-7:], *list(months.values())[-12:]})


def test_a_copy_is_restored_with_the_store(out: Path) -> None:
    with Store(out) as store:
        store.save_scan(KEY, SCAN)
    sound = everything(out)
    copy = copy_files([people_path(out), database_path(out)], copies_folder(out), "asked")
    people_path(out).write_bytes(b"damaged")
    database_path(out).unlink()
    restored = restore(out, copy.folder)
    assert restored.files == ("people.sqlite", "clutchlight.sqlite")
    entries = everything(out)[0]
    assert entries[:-1] == sound[0]
    assert entries[-1].kind == "restore"
    assert restored.kept is not None
    assert (restored.kept / "people.sqlite").read_bytes() == b"damaged"
    with Store(out) as store:
        assert store.scan(KEY) == SCAN


def test_a_copy_made_before_a_move_from_earlier_files_is_restored(tmp_path: Path) -> None:
    write_store(tmp_path, "2", outcomes=True)
    write_reviews(tmp_path)
    moved, _ = everything_of(tmp_path)
    copy, of_store = find_copies(copies_folder(tmp_path))
    people_path(tmp_path).write_bytes(b"damaged")
    restored = restore(tmp_path, copy.folder)
    assert restored.files == ("people.sqlite", "clutchlight.sqlite")
    entries, exams = everything_of(tmp_path)
    assert entries[:-1] == moved
    assert [exam.animal for exam in exams] == ["AF-0412"]
    add(tmp_path)
    with pytest.raises(RestoreError, match="has 2 later entries"):  # that it was restored, and what was added
        restore(tmp_path, copy.folder)
    assert restore(tmp_path, of_store.folder).files == ("clutchlight.sqlite",)  # loses nothing that was said
    assert len(everything_of(tmp_path)[0]) == len(moved) + 2
    restore(tmp_path, copy.folder, discard_newer=True)
    assert everything_of(tmp_path)[0][:-1] == moved


def test_answers_that_were_not_moved_yet_are_not_replaced_by_a_copy(tmp_path: Path) -> None:
    write_reviews(tmp_path)
    copy = copy_files([tmp_path / "reviews.sqlite"], tmp_path / "disk", "asked")
    with pytest.raises(RestoreError, match=r"reviews\.sqlite: holds what people said with an earlier version"):
        restore(tmp_path, copy.folder)
    assert (tmp_path / "reviews.sqlite").exists()
    assert restore(tmp_path, copy.folder, discard_newer=True).files == ("people.sqlite",)
    assert not (tmp_path / "reviews.sqlite").exists()
    (kept,) = find_copies(copies_folder(tmp_path))
    assert (kept.folder / "reviews.sqlite").exists()


def everything_of(out: Path) -> tuple[list[tuple[str, ...]], list[StoredExam]]:
    """What was said, without times, and the exams of the store."""
    with closing(Journal(out)) as journal, journal.reading() as reader, Store(out) as store:
        entries = [reader.entry(number) for number in range(1, reader.tip.length + 1)]
        return [(one.kind, one.animal, one.date, one.body) for one in entries], list(store.exams())


def test_a_copy_made_before_an_upgrade_is_restored_and_upgraded_again(out: Path) -> None:
    sound = everything(out)
    set_back_people(people_path(out))
    write_store(out, "1")
    with closing(Journal(out)), Store(out):
        pass
    copies = find_copies(copies_folder(out))
    assert len(copies) == 2
    people_path(out).write_bytes(b"damaged")
    database_path(out).write_bytes(b"damaged")
    files = [restore(out, copy.folder).files for copy in copies]
    assert sorted(files) == [("clutchlight.sqlite",), ("people.sqlite",)]
    assert everything(out)[0][:-1] == sound[0]
    with Store(out) as store:
        assert [exam.animal for exam in store.exams()] == ["AF-0412"]


def test_later_answers_are_not_lost_by_restoring_unless_that_is_wanted(out: Path) -> None:
    copy = copy_files([people_path(out)], copies_folder(out), "night")
    length = chain_tip(people_path(out)).length
    add(out)
    with pytest.raises(RestoreError, match=r"has 1 later entries.*--discard-newer"):
        restore(out, copy.folder)
    restored = restore(out, copy.folder, discard_newer=True)
    assert restored.tip.length == length + 1
    assert restored.kept is not None
    restore(out, restored.kept, discard_newer=True)  # and back
    assert chain_tip(people_path(out)).length == length + 2


def test_a_lost_head_file_loses_no_answers(out: Path) -> None:
    copy = copy_files([people_path(out)], copies_folder(out), "night")
    add(out)
    sound = everything(out)[0]
    head_path(out).write_bytes(b"damaged")
    with pytest.raises(RestoreError, match="has 1 later entries"):
        restore(out, copy.folder)
    restore(out, people_path(out))
    assert everything(out)[0][:-1] == sound


def test_nothing_is_restored_while_somebody_uses_the_folder(out: Path) -> None:
    copy = copy_files([people_path(out)], copies_folder(out), "night")
    with closing(Journal(out)), pytest.raises(LockedError, match="Stop it first"):
        restore(out, copy.folder)
    restore(out, copy.folder)


@pytest.mark.parametrize("name", ["people.sqlite", "backup.json"])
def test_a_damaged_copy_is_refused(out: Path, name: str) -> None:
    copy = copy_files([people_path(out)], copies_folder(out), "night")
    content = bytearray((copy.folder / name).read_bytes())
    content[len(content) // 2] ^= 1
    (copy.folder / name).write_bytes(content)
    sound = everything(out)
    with pytest.raises(RestoreError, match="damaged"):
        restore(out, copy.folder)
    with pytest.raises(RestoreError, match="holds no copy"):
        restore(out, out / "nothing")
    assert everything(out) == sound


def test_a_copy_that_cannot_be_made_is_an_error_and_leaves_nothing(out: Path) -> None:
    (out / "file").write_text("in the way")
    with pytest.raises(CopyError, match=r"could (not )?be made"):
        copy_files([people_path(out)], out / "file", "asked")
    people_path(out).write_bytes(b"damaged")
    with pytest.raises(CopyError, match=r"could (not )?be made"):
        copy_files([people_path(out)], copies_folder(out), "asked")
    assert list(copies_folder(out).iterdir()) == []
