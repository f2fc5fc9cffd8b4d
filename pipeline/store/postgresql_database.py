"""The store in a PostgreSQL database of its own: for machines that share an output folder.

It has the same tables. The comment of Alembic's table names the output folder that the database belongs to, so that no
second folder uses it by mistake.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.pool import StaticPool

from pipeline.store.database import Database
from pipeline.store.schema import REVISIONS, SCHEMA_VERSION, StoreError
from pipeline.store.schema_versions import alembic_config
from pipeline.store.server_address import ServerAddress
from pipeline.store.server_lock import LockLostError, check_lock, hold_server_lock, is_server_locked

if TYPE_CHECKING:
    from pipeline.store.server_connection import ServerConnection

__all__ = ["PostgresqlDatabase", "database_note"]

UPGRADE_KEY = 0x43_4C_55_50, 1  # "CLUP" in ASCII; own choice
ANSWER_S = 600.0  # after which the server counts as gone; an answer takes milliseconds to seconds
_COMMENT = "SELECT obj_description(to_regclass('alembic_version'), 'pg_class')"


def database_note(address: ServerAddress, identity: str) -> str:
    """What the file of the output folder says: JSON, without a password."""
    return json.dumps({"database": str(address), "identity": identity})


class PostgresqlDatabase(Database):
    """identity : of the output folder, as its own file states it"""

    def __init__(self, path: Path, address: ServerAddress, identity: str) -> None:
        """path : the file of the output folder that says where its store is"""
        try:
            from pipeline.store.server_connection import Error
        except ModuleNotFoundError as error:
            raise StoreError(
                f"{address}: a PostgreSQL database needs the Python package pg8000. Install it: pip install "
                "'clutchlight[postgresql]'."
            ) from error
        self.path = path
        self.name = str(address)
        self.errors = (Error,)
        self.address = address
        self.identity = identity
        self.backup_advice = (
            f"The store is not in it: all of it can be computed again. For a copy of it: pg_dump --format=custom "
            f"--file=store.dump '{address}'"
        )

    def version(self) -> int:
        with self._connected() as connection:
            return self._version(connection)

    def check_usable(self) -> None:
        """Raises StoreError unless the database is empty, or belongs to this output folder. Nothing is changed."""
        with self._connected() as connection:
            self._check_usable(connection)

    def prepare(self) -> None:
        """Also claims a new database for the output folder. Before an upgrade there is no copy, only a transaction."""
        with self._connected() as connection:
            if self._version(connection) == SCHEMA_VERSION and connection.scalar(text(_COMMENT)) == self.identity:
                return
            # Only one program at a time; the others see its tables then.
            connection.execute(text(f"SELECT pg_advisory_xact_lock({UPGRADE_KEY[0]}, {UPGRADE_KEY[1]})"))
            self._upgrade(connection)
            connection.commit()

    def _upgrade(self, connection: Connection) -> None:
        self._check_usable(connection)
        if self._version(connection) < SCHEMA_VERSION:
            from alembic import command  # here, since most starts find the newest version

            config = alembic_config(REVISIONS)
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
        connection.execute(text(f"COMMENT ON TABLE alembic_version IS '{self.identity}'"))

    def _check_usable(self, connection: Connection) -> None:
        version, owner = self._version(connection), connection.scalar(text(_COMMENT))
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{self.name}: written by a newer version of Clutchlight (schema {version}; this version supports up "
                f"to {SCHEMA_VERSION}). Install the newer version."
            )
        tables = text("SELECT count(*) FROM pg_tables WHERE schemaname = current_schema()")
        if not version and connection.scalar(tables):
            raise StoreError(f"{self.name}: this is the database of another program. Make one of its own: createdb.")
        if owner not in (None, self.identity):
            raise StoreError(
                f"{self.name}: this database belongs to another output folder. Make one of its own for this folder: "
                f"createdb. If it is the same folder, which has lost its {self.path.name}, write into that file: "
                f"{database_note(self.address, owner)}"
            )

    def _version(self, connection: Connection) -> int:
        if connection.scalar(text("SELECT to_regclass('alembic_version')")) is None:
            return 0
        stated = connection.scalar(text("SELECT max(version_num) FROM alembic_version")) or ""
        number = str(stated).removeprefix("v")
        if not number.isdecimal():
            raise StoreError(f"{self.name}: this is the database of another program. Make one of its own: createdb.")
        return int(number)

    @contextmanager
    def _connected(self) -> Iterator[Connection]:
        """A connection of its own, which sees what others commit; rolled back unless it is committed."""
        engine = self.connect()
        try:
            with self.explained("opened"), engine.connect() as connection:
                yield connection.execution_options(isolation_level="READ COMMITTED")
        finally:
            engine.dispose()

    def connect(self, *, read_only: bool = False) -> Engine:
        """A connection that was lost is made anew, unless a run holds the lock: its own may be lost with it."""
        engine = create_engine(
            "postgresql+pg8000://",
            creator=self._new_connection,
            poolclass=StaticPool,
            pool_pre_ping=True,
            isolation_level="REPEATABLE READ",
            execution_options={"postgresql_readonly": True} if read_only else {},
        )

        @event.listens_for(engine, "begin")
        def _check_lock(_: Connection) -> None:
            check_lock(self.address)

        return engine

    def _new_connection(self) -> ServerConnection:
        from pipeline.store.server_connection import connect_to_server

        return connect_to_server(self.address, "clutchlight", ANSWER_S)

    def find_damage(self) -> list[str]:
        """Nothing: PostgreSQL verifies its own pages (data checksums, pg_amcheck)."""
        return []

    def give_back_space(self) -> None:
        """Nothing: the server's autovacuum does it."""

    @contextmanager
    def hold_lock(self) -> Iterator[None]:
        with ExitStack() as stack:
            with self.explained("locked"):
                stack.enter_context(hold_server_lock(self.address))
            yield

    def is_locked(self) -> bool:
        with self.explained("read"):
            return is_server_locked(self.address)

    def error(self, action: str, error: BaseException | None) -> StoreError:
        try:
            check_lock(self.address)
        except LockLostError as lost:
            return lost
        return StoreError(f"{self.name}: {self._reason(action, error)}")

    def _reason(self, action: str, error: BaseException | None) -> str:
        first = error.args[0] if error is not None and error.args else ""
        code, words = (first.get("C", ""), first.get("M", "")) if isinstance(first, dict) else ("", str(first))
        again = "Run the same command again: it continues."
        if not code or code.startswith(("08", "57P")):
            return f"the database server cannot be reached ({words or error}). Check server and network. {again}"
        if code.startswith("28"):
            return f"the server does not let this user in ({words}). Put the password into ~/.pgpass or PGPASSWORD."
        if code == "3D000":
            owner = self.address.user_name
            return (
                f"there is no such database. Make it: createdb --host={self.address.host} --owner={owner} "
                f"--encoding=UTF8 --template=template0 {self.address.database}"
            )
        if code == "42501":
            return f"this user may not do that ({words}). Make {self.address.user_name} the owner of the database."
        if code.startswith("53"):
            return f"the server is short of something ({words}). See to its disk and memory. {again}"
        return f"could not be {action} ({words}). See the server's log. {again}"
