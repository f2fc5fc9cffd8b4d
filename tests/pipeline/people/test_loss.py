"""A missing or empty people's file is an error if anybody has said anything, and a new one if nobody has."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from pipeline.people.chain import JournalError
from pipeline.people.dated_copies import copy_files
from pipeline.people.head_file import head_path
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.store.dated_copies import copies_folder


def empty(path: Path) -> None:
    path.write_bytes(b"")


@pytest.mark.parametrize(("lose", "state"), [(Path.unlink, "is missing"), (empty, "is empty")])
def test_a_lost_file_is_an_error_that_names_the_copy_to_restore(out: Path, lose: object, state: str) -> None:
    copy = copy_files([people_path(out)], copies_folder(out), "night")
    for with_head in (True, False):
        lose(people_path(out))
        if not with_head:
            head_path(out).unlink()
        with pytest.raises(JournalError, match=rf"{state}, although .*{copy.folder.name}.*clutchlight restore"):
            Journal(out)
        empty(people_path(out))


@pytest.mark.parametrize("name", ["signed.json", "signed.html"])
def test_signed_sheets_show_that_a_file_was_lost(tmp_path: Path, name: str) -> None:
    sheet = tmp_path / "AF-0412" / "2026-05-14" / name
    sheet.parent.mkdir(parents=True)
    sheet.write_text("signed")
    with pytest.raises(JournalError, match=r"is missing, although exams are signed, such as AF-0412/2026-05-14"):
        Journal(tmp_path)
    assert not people_path(tmp_path).exists()


def test_a_new_folder_gets_a_new_file(tmp_path: Path) -> None:
    with closing(Journal(tmp_path)) as journal:
        assert journal.tip.length == 0
    people_path(tmp_path).unlink()  # nobody has said anything
    Journal(tmp_path).close()


def test_a_check_makes_no_file(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="is missing"):
        Journal(tmp_path, create=False)
    assert not people_path(tmp_path).exists()
