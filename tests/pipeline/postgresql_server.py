"""A PostgreSQL server of the tests' own, from Debian's package, in a temporary folder and without a network."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

__all__ = ["PostgresqlServer", "database_url", "postgresql_server"]

PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
# Names sort as people expect, which is not how the store must sort them.
CREATE = ["--encoding=UTF8", "--locale=C", "--locale-provider=icu", "--icu-locale=en-US"]
# Nothing need outlive the tests.
QUICK = ["fsync=off", "synchronous_commit=off", "full_page_writes=off", "shared_buffers=16MB", "autovacuum=off"]
USER, PASSWORD, DATABASE = "turtle", r"a:b\c", "station"


@dataclass
class PostgresqlServer:
    """folder : of its socket and its files"""

    folder: Path

    @property
    def url(self) -> str:
        return f"postgresql://{USER}@/{DATABASE}?host={self.folder}"

    def run(self, sql: str, database: str = DATABASE) -> list[tuple[Any, ...]]:
        """Rows of a statement, outside any transaction."""
        import pg8000.native

        socket = f"{self.folder}/.s.PGSQL.5432"
        arguments = {"unix_sock": socket, "database": database, "password": PASSWORD, "ssl_context": False}
        with closing(pg8000.native.Connection(USER, **arguments)) as connection:
            return [tuple(row) for row in connection.run(sql) or ()]

    def cut(self, name: str = "clutchlight%") -> int:
        """End the connections of programs of such a name, as a broken network does. Returns how many there were."""
        ended = f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name LIKE '{name}'"
        return len(self.run(ended))


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[PostgresqlServer]:
    pytest.importorskip("pg8000", reason="pg8000 is not installed (extra postgresql)")
    if not PROGRAMS:
        pytest.skip("no PostgreSQL server in /usr/lib/postgresql (Debian's package postgresql)")
    programs, folder = PROGRAMS[-1], Path(tempfile.mkdtemp(prefix="pg"))  # short, since it is the path of a socket
    as_other_user: dict[str, Any] = {}
    if os.geteuid() == 0:  # as which the server does not start
        nobody = pwd.getpwnam("nobody")
        as_other_user = {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
        os.chown(folder, nobody.pw_uid, nobody.pw_gid)
    password, data = folder / "password", folder / "data"
    password.write_text(PASSWORD)
    password.chmod(0o644)
    create = [programs / "initdb", "-D", data, "-U", USER, "--auth=scram-sha-256", f"--pwfile={password}", "--no-sync"]
    start = [programs / "postgres", "-D", data, "-k", folder, "-h", "", *(f"--{option}" for option in QUICK)]
    try:
        subprocess.run([*create, *CREATE], check=True, cwd=folder, stdout=subprocess.DEVNULL, **as_other_user)
        with (folder / "log").open("wb") as log, pytest.MonkeyPatch.context() as patch:
            process = subprocess.Popen(start, cwd=folder, stdout=log, stderr=log, **as_other_user)
            try:
                patch.setenv("PGPASSFILE", str(_write_pass_file(folder)))
                yield _when_ready(PostgresqlServer(folder), process)
            finally:
                process.send_signal(signal.SIGQUIT)  # at once, without writing anything more
                process.wait()
    finally:
        shutil.rmtree(folder)


@pytest.fixture
def database_url(postgresql_server: PostgresqlServer) -> str:
    """The address of an empty PostgreSQL database; tests of it are skipped where there is no server."""
    postgresql_server.cut()  # what failed tests left
    postgresql_server.run("DROP SCHEMA public CASCADE")  # quicker than another database for each test
    postgresql_server.run("CREATE SCHEMA public")
    return postgresql_server.url


def _write_pass_file(folder: Path) -> Path:
    path = folder / "pass"
    path.touch(0o600)
    escaped = PASSWORD.replace("\\", "\\\\").replace(":", "\\:")
    path.write_text(f"elsewhere:*:*:*:wrong\nlocalhost:5432:*:{USER}:{escaped}\n")
    return path


def _when_ready(server: PostgresqlServer, process: subprocess.Popen[bytes]) -> PostgresqlServer:
    import pg8000.native

    while process.poll() is None:
        try:
            server.run(f"CREATE DATABASE {DATABASE}", "postgres")
        except pg8000.native.Error:
            time.sleep(0.05)
        else:
            return server
    raise RuntimeError((server.folder / "log").read_text())
