"""Nights whose store is on a PostgreSQL server: the same files, one run at a time, connections that break."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.batch.events import BatchEvent, ClipStarted, ExamFinished
from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.store.lock import LockedError
from pipeline.store.server_lock import LockLostError
from tests.pipeline.batch.three_animals import film_three_animals, run
from tests.pipeline.conftest import Clutchlight
from tests.pipeline.postgresql_server import PASSWORD, PostgresqlServer
from tests.pipeline.run_ended import contents


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film_three_animals(tmp_path_factory.mktemp("filmed"))


@pytest.fixture(scope="module")
def expected(filmed: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of a night with SQLite."""
    out = tmp_path_factory.mktemp("sqlite") / "out"
    run(filmed, out)
    return contents(out)


def test_the_files_are_those_of_sqlite_and_every_command_finds_the_store(
    filmed: Path, expected: dict[str, bytes], tmp_path: Path, database_url: str, clutchlight: Clutchlight
) -> None:
    out = tmp_path / "out"
    assert batch_exit_code(run(filmed, out, database=database_url)) == ExitCode.DONE
    assert contents(out) == expected
    assert not list(out.rglob("clutchlight.sqlite"))
    assert not any(PASSWORD.encode() in path.read_bytes() for path in out.rglob("*") if path.is_file())
    report = run(filmed, out)  # without a word in the settings
    assert len(report.known) == 3
    assert clutchlight("check", "--out", out).code == ExitCode.DONE
    copied = clutchlight("backup", "--out", out)
    assert f"pg_dump --format=custom --file=store.dump '{database_url}'" in copied.stderr
    (folder,) = (out / "backups").iterdir()
    assert sorted(path.name for path in folder.iterdir()) == ["backup.json", "people.head", "people.sqlite"]
    assert clutchlight("restore", "--out", out, folder).stdout.startswith("people.sqlite restored")
    assert clutchlight("tidy", "--out", out).code == ExitCode.DONE
    assert "cannot be reached" not in clutchlight("status", "--out", out).stdout
    place = out / "database.json"
    place.write_text(place.read_text().replace("?host=", "?host=/nowhere"))
    status = clutchlight("status", "--out", out)
    assert "the database server cannot be reached" in status.stdout
    assert status.code == 2  # critical


def test_a_second_run_at_the_same_time_is_refused(filmed: Path, tmp_path: Path, database_url: str) -> None:
    refused = []

    def begin_another(event: BatchEvent) -> None:
        if isinstance(event, ExamFinished):
            with pytest.raises(LockedError, match="another run is using this database"):
                run(filmed, tmp_path / "out")
            refused.append(event)

    assert (
        batch_exit_code(run(filmed, tmp_path / "out", database=database_url, on_event=begin_another)) == ExitCode.DONE
    )
    assert len(refused) == 3


@pytest.mark.parametrize("connections", ["clutchlight, process%", "clutchlight%"])
def test_a_run_whose_connection_is_cut_ends_and_the_next_one_continues(
    filmed: Path,
    expected: dict[str, bytes],
    tmp_path: Path,
    postgresql_server: PostgresqlServer,
    database_url: str,
    connections: str,
) -> None:
    finished, begun = [], []

    def cut(event: BatchEvent) -> None:
        if isinstance(event, ExamFinished):
            finished.append(event)
            assert postgresql_server.cut(connections)

    with pytest.raises(LockLostError, match="Run the same command again: it continues"):
        run(filmed, tmp_path / "out", database=database_url, processes=1, on_event=cut)
    assert len(finished) == 1
    report = run(
        filmed,
        tmp_path / "out",
        on_event=lambda event: begun.append(event.file) if isinstance(event, ClipStarted) else None,
    )
    assert batch_exit_code(report) == ExitCode.DONE
    assert len(begun) < 4  # of four clips
    assert contents(tmp_path / "out") == expected
