"""Databases of every earlier version are brought to this one, after a copy, and lose nothing."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import fields
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from pipeline.batch.stored_summaries import stored_exam
from pipeline.people import schema as people_schema
from pipeline.store import schema as store_schema
from pipeline.store.dated_copies import copies_folder, find_copies
from pipeline.store.output_database import database_of
from pipeline.store.row_hashes import row_sha256
from pipeline.store.schema import SCHEMA_VERSION, StoreError, Table
from pipeline.store.schema_versions import alembic_config
from pipeline.store.sqlite_database import database_path
from pipeline.store.store import ExamListing, ScanKey, Store, StoredExam, StoredPicture, StoredScan
from tests.pipeline.earlier_databases import EXAM, STORES, write_store
from tests.pipeline.report.example_exams import make_clutch, make_refused, make_uncertain

KEY = ScanKey("c", "m", "s", "openvino")
SCAN = StoredScan(
    b"\x00packed\xff",
    (StoredPicture(1, 7, (10.5, 20.25, 9.0, 6.0, 0.1), b"jpeg"), StoredPicture(3, 9, (1, 2, 3, 2, 179.9), b"\xff\xd8")),
)
RESULT = StoredExam(*EXAM, "f", '{"animal": "AF-0412"}', ("AF-0412/2026-05-14/result.json",))


def version_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def differences(out: Path) -> list[object]:
    """What the tables of a store have, or lack, compared with those that the program declares."""
    engine = database_of(out).connect()
    try:
        with engine.connect() as connection:
            return list(compare_metadata(MigrationContext.configure(connection), Table.metadata))
    finally:
        engine.dispose()


@pytest.mark.parametrize("form", STORES)
def test_a_store_of_an_earlier_version_is_upgraded_without_loss_and_copied_first(tmp_path: Path, form: str) -> None:
    write_store(tmp_path, form)
    for _ in range(2):
        with Store(tmp_path) as store:
            assert store.remove_damaged_rows() == []
            assert store.scan(KEY) == SCAN
            assert list(store.exams()) == [RESULT]
            assert store.engine_name(*EXAM) == "openvino"
            assert store.refusal("a" * 64) is None
    assert version_of(database_path(tmp_path)) == SCHEMA_VERSION
    assert differences(tmp_path) == []
    (copy,) = find_copies(copies_folder(tmp_path))  # once
    assert copy.reason == "migration"
    assert version_of(copy.folder / "clutchlight.sqlite") == STORES[form][0]


def test_results_of_an_earlier_version_are_listed_as_this_one_would(tmp_path: Path) -> None:
    """Version 4 is this one without the columns of lists."""
    summaries = [make_clutch().summary, make_refused().summary, make_uncertain().summary]
    exams = [stored_exam(summary, "f") for summary in summaries]
    with Store(tmp_path) as store:
        run = store.start_run(settings_sha256="", model_sha256="", engine="")
        for exam in exams:
            store.save_exam(exam, run)
    with closing(sqlite3.connect(database_path(tmp_path))) as connection, connection:
        connection.row_factory = sqlite3.Row
        for index in ("exams_by_date", "exams_listed", "exams_by_folder"):
            connection.execute(f"DROP INDEX {index}")
        for column in fields(ExamListing):
            connection.execute(f"ALTER TABLE exams DROP COLUMN {column.name}")
        for row in connection.execute("SELECT rowid, * FROM exams").fetchall():
            content = {key: row[key] for key in row.keys() if key != "rowid"}  # noqa: SIM118 - a row is no mapping
            sha256 = "damaged" if row["animal"] == exams[2].animal else row_sha256("exams", content)
            connection.execute("UPDATE exams SET sha256 = ? WHERE rowid = ?", (sha256, row["rowid"]))
        connection.execute("PRAGMA user_version = 4")
        connection.execute("UPDATE alembic_version SET version_num = 'v4'")
    with Store(tmp_path) as store:
        assert list(store.exams()) == sorted(exams[:2], key=lambda exam: exam.animal)
        assert [damaged.label for damaged in store.remove_damaged_rows()] == [
            f"exam {exams[2].animal}, {exams[2].date}"
        ]


def test_a_new_store_has_the_tables_that_the_program_declares(folder: Path) -> None:
    Store(folder).close()
    assert differences(folder) == []
    assert not copies_folder(folder).exists()


@pytest.mark.parametrize("schema", [store_schema, people_schema])
def test_the_newest_revision_is_the_version_of_the_program(schema: object) -> None:
    newest = ScriptDirectory.from_config(alembic_config(schema.REVISIONS)).get_current_head()  # type: ignore[attr-defined]
    assert newest == f"v{schema.SCHEMA_VERSION}"  # type: ignore[attr-defined]


def test_an_upgrade_that_fails_changes_nothing_and_is_done_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> str:
        raise MemoryError

    write_store(tmp_path, "1")
    before = database_path(tmp_path).read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr("pipeline.store.row_hashes.row_sha256", fail)
        with pytest.raises(MemoryError):
            Store(tmp_path)
    assert database_path(tmp_path).read_bytes() == before
    with Store(tmp_path) as store:
        assert store.scan(KEY) == SCAN


@pytest.mark.parametrize("form", ["2", "3 with outcomes"])
def test_outcomes_of_an_earlier_version_are_not_dropped(tmp_path: Path, form: str) -> None:
    write_store(tmp_path, form, outcomes=True)
    with pytest.raises(StoreError, match="clutchlight users"):
        Store(tmp_path)
    with closing(sqlite3.connect(database_path(tmp_path))) as connection:
        assert connection.execute("SELECT count(*) FROM outcomes").fetchone() == (2,)


@pytest.mark.parametrize("change", ["PRAGMA user_version = 2", "UPDATE alembic_version SET version_num = 'v2'"])
def test_a_file_that_states_two_versions_is_damaged(tmp_path: Path, change: str) -> None:
    Store(tmp_path).close()
    with closing(sqlite3.connect(database_path(tmp_path))) as connection, connection:
        connection.execute(change)
    with pytest.raises(StoreError, match=r"damaged: it states the schema versions .* Move it away"):
        Store(tmp_path)
