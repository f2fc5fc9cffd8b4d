"""What only a store on a server has: one output folder each, a lock of the server, connections that break."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import text

from pipeline.store.exam_lists import ExamQuery, ListedStore
from pipeline.store.lock import LockedError, hold_lock, is_locked
from pipeline.store.output_database import database_of
from pipeline.store.schema import REVISIONS, SCHEMA_VERSION
from pipeline.store.schema_versions import alembic_config
from pipeline.store.server_lock import LockLostError
from pipeline.store.store import ExamListing, RunOutcome, Store, StoredExam, StoreError
from tests.pipeline.postgresql_server import PostgresqlServer

EXAMS = [StoredExam(name, "2026-05-14", "f", "{}", (), ExamListing(f"{name}/1")) for name in ("B-1", "a-1", "Ä-1")]


@pytest.fixture
def out(tmp_path: Path, database_url: str) -> Path:
    with hold_lock(tmp_path, database_url), Store(tmp_path) as store:
        run = store.start_run(settings_sha256="s", model_sha256="m", engine="openvino")
        for exam in EXAMS:
            store.save_exam(exam, run)
        store.finish_run(run, RunOutcome.DONE)
    return tmp_path


def test_the_folder_names_its_database_and_no_file_of_it_holds_the_password(out: Path, database_url: str) -> None:
    with Store(out) as store:
        assert list(store.exams()) == EXAMS  # sorted by bytes, as SQLite does
    (named,) = out.iterdir()
    assert json.loads(named.read_text())["database"] == database_url
    assert (out / "database.json") == named


@pytest.mark.parametrize("url", ["", None])
def test_settings_may_say_nothing_or_the_same(out: Path, database_url: str, url: str | None) -> None:
    with hold_lock(out, database_url if url is None else url), Store(out) as store:
        assert len(store.exams()) == 3


def test_settings_that_name_another_database_are_refused(out: Path) -> None:
    with (
        pytest.raises(StoreError, match=r"its store is in postgresql:.*, and the settings name postgresql:"),
        hold_lock(out, "postgresql://db.lan/other"),
    ):
        pass


def test_a_folder_with_a_file_as_store_keeps_it(tmp_path: Path, database_url: str) -> None:
    Store(tmp_path).close()
    message = r"its store is clutchlight\.sqlite, and the settings name"
    with pytest.raises(StoreError, match=message), hold_lock(tmp_path, database_url):
        pass
    with hold_lock(tmp_path), Store(tmp_path):
        pass


def test_a_second_folder_may_not_use_the_same_database(out: Path, database_url: str, tmp_path: Path) -> None:
    other = tmp_path / "other"
    message = "belongs to another output folder"
    with pytest.raises(StoreError, match=message) as raised, hold_lock(other, database_url):
        pass
    assert not other.exists()
    assert str(raised.value).endswith(f"write into that file: {(out / 'database.json').read_text()}")
    other.mkdir()
    (other / "database.json").write_text(json.dumps({"database": database_url, "identity": "0" * 32}))
    with pytest.raises(StoreError, match=message):
        Store(other)


@pytest.mark.parametrize("content", ["{}", "[1]", "", '{"database": "postgresql://h/d", "identity": "\';--"}'])
def test_a_damaged_name_of_the_database_is_an_error(tmp_path: Path, content: str) -> None:
    (tmp_path / "database.json").write_text(content)
    with pytest.raises(StoreError, match=r"database\.json: .*back"):
        database_of(tmp_path)


def test_without_the_driver_a_sentence_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pg8000", None)
    monkeypatch.delitem(sys.modules, "pipeline.store.server_connection", raising=False)
    message = r"needs the Python package pg8000. Install it: pip install 'clutchlight\[postgresql\]'"
    with pytest.raises(StoreError, match=message), hold_lock(tmp_path, "postgresql://db.lan/turtles"):
        pass


def test_the_database_of_another_program_is_refused(
    tmp_path: Path, postgresql_server: PostgresqlServer, database_url: str
) -> None:
    postgresql_server.run("CREATE TABLE recipes (name text)")
    with pytest.raises(StoreError, match="the database of another program"), hold_lock(tmp_path, database_url):
        pass
    assert list(tmp_path.iterdir()) == []  # so that another database can be named


@pytest.mark.parametrize("version", ["v1", "v2", "v3", "v4"])
def test_tables_of_an_earlier_version_are_upgraded(tmp_path: Path, database_url: str, version: str) -> None:
    """The rows of those versions are upgraded as in SQLite, by the same revisions."""
    path = tmp_path / "database.json"
    path.write_text(json.dumps({"database": database_url, "identity": "0" * 32}))
    database, config = database_of(tmp_path), alembic_config(REVISIONS)
    engine = database.connect()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, version)
        values = "'AF-1', '2026-05-14', 'f', '{}', '[]', 1" + (", ''" if version == "v4" else "")
        connection.execute(text("INSERT INTO runs VALUES (1, 's', 'e', 's', 'm', 'torch', 'done')"))
        connection.execute(text(f"INSERT INTO exams VALUES ({values})"))
    engine.dispose()
    assert database.version() == int(version[1:])
    with Store(tmp_path) as store:
        exam = StoredExam("AF-1", "2026-05-14", "f", "{}", ())
        assert list(store.exams()) == ([] if version == "v4" else [exam])  # v4 had hashes, and this row has none
    assert database.version() == SCHEMA_VERSION


def test_a_newer_schema_is_refused(out: Path, postgresql_server: PostgresqlServer) -> None:
    newer = "UPDATE alembic_version SET version_num = 'v99'"
    postgresql_server.run(newer)
    with pytest.raises(StoreError, match=r"newer version of Clutchlight \(schema 99"):
        Store(out)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("/station", "/nowhere"), "there is no such database. Make it: createdb "),
        (("?host=", "?host=/nowhere"), "the database server cannot be reached"),
        (("turtle@", "nobody@"), "does not let this user in"),
    ],
)
def test_a_database_that_cannot_be_opened_is_named(
    tmp_path: Path, database_url: str, change: tuple[str, str], message: str
) -> None:
    url = database_url.replace(*change)
    with pytest.raises(StoreError, match=message), hold_lock(tmp_path, url):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_second_run_is_refused_until_the_first_ends(out: Path) -> None:
    message = rf"another run is using this database \(clutchlight, process {os.getpid()} on "
    with hold_lock(out):
        assert is_locked(out)
        with pytest.raises(LockedError, match=message), hold_lock(out):
            pass
    assert not is_locked(out)
    with hold_lock(out):
        pass


def test_a_killed_run_leaves_no_lock(out: Path) -> None:
    holder = (
        "import sys, time; from pathlib import Path; from pipeline.store.lock import hold_lock\n"
        "with hold_lock(Path(sys.argv[1])):\n    print('held', flush=True); time.sleep(60)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", holder, str(out)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    with pytest.raises(LockedError, match=str(process.pid)), hold_lock(out):
        pass
    process.kill()
    process.wait()
    process.stdout.close()
    with hold_lock(out):
        pass


@pytest.mark.parametrize("cut", ["clutchlight, process%", "clutchlight%"])
def test_a_run_that_lost_its_lock_neither_reads_nor_writes(
    out: Path, postgresql_server: PostgresqlServer, cut: str
) -> None:
    with hold_lock(out), Store(out) as store:
        store.save_refusal("a" * 64, "before")
        assert postgresql_server.cut(cut)
        with pytest.raises(LockLostError, match=r"in the middle of the run, .* another run may have begun"):
            store.save_refusal("a" * 64, "after")
        with pytest.raises(LockLostError):
            store.exams()
    with hold_lock(out), Store(out) as store:
        assert store.refusal("a" * 64) == "before"


def test_the_review_goes_on_after_its_connection_was_cut(out: Path, postgresql_server: PostgresqlServer) -> None:
    with ListedStore(out) as store:
        store.mark_signed([("B-1", "2026-05-14"), ("a-1", "2026-05-14")])
        store.mark_signed([], [("a-1", "2026-05-14")])
        before = store.list_exams(ExamQuery(is_signed=False), 0, 9)
        assert postgresql_server.cut() == 1
        assert store.list_exams(ExamQuery(is_signed=False), 0, 9) == before
        assert [animal for animal, _ in before.exams] == ["a-1", "Ä-1"]


def test_a_damaged_row_is_removed_by_name(out: Path, postgresql_server: PostgresqlServer) -> None:
    damage = "UPDATE exams SET document = '[]' WHERE animal = 'a-1'"
    postgresql_server.run(damage)
    with Store(out) as store:
        assert [row.label for row in store.remove_damaged_rows()] == ["exam a-1, 2026-05-14"]
        removed = [store.remove_damaged_rows(3, part) for part in range(3)]
        assert removed == [[], [], []]
        assert list(store.exams()) == [EXAMS[0], EXAMS[2]]
