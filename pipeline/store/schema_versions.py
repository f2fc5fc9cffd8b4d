"""The version of a database file, and the way from an earlier version to this one, by Alembic.

A database has a folder of revisions, one module for each version: ``v1`` makes the first tables, and each later one
changes what the one before it left. A new file goes the same way. The version is in Alembic's table and, for programs
that were made before it, in ``PRAGMA user_version``; files of before have the second alone.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from alembic.config import Config

__all__ = ["DATABASE_ERRORS", "VERSION_TABLE", "SchemaError", "alembic_config", "file_version", "upgrade"]

# What using a damaged database may raise. SQLite quotes damaged names in its messages, which Python may not decode.
DATABASE_ERRORS = (sqlite3.Error, UnicodeDecodeError)
# Made here rather than by Alembic, so that the text in the file is always the same: other tables count as changes.
VERSION_TABLE = "CREATE TABLE alembic_version (version_num TEXT PRIMARY KEY NOT NULL) WITHOUT ROWID"

_HAS_VERSION_TABLE = "SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'"


class SchemaError(Exception):
    """The versions that a file states are not what this program writes."""


def file_version(connection: sqlite3.Connection) -> int:
    """The version that a file states, 0 for an empty or foreign one. Raises SchemaError or sqlite3.Error."""
    stated = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if connection.execute(_HAS_VERSION_TABLE).fetchone() is None:
        return stated
    revisions = [row[0] for row in connection.execute("SELECT version_num FROM alembic_version")]
    if revisions != [f"v{stated}"]:
        raise SchemaError(f"it states the schema versions {stated} and {', '.join(map(str, revisions)) or 'none'}")
    return stated


def alembic_config(revisions: Path) -> Config:
    """What Alembic's commands need. revisions : folder of one database"""
    from alembic.config import Config

    config = Config()
    environment = Path(__file__).parent / "alembic_environment"
    for option, path in (("script_location", environment), ("version_locations", revisions)):
        config.set_main_option(option, str(path).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    return config


def upgrade(connection: sqlite3.Connection, revisions: Path) -> None:
    """Bring a database to the newest of these revisions in one transaction, or leave it as it is.

    connection : without implicit transactions (``isolation_level=None``)

    Raises SchemaError or sqlite3.Error.
    """
    # Imported here, since most starts find the newest version.
    from alembic import command
    from sqlalchemy import create_engine
    from sqlalchemy.exc import DBAPIError
    from sqlalchemy.pool import StaticPool

    config = alembic_config(revisions)
    engine = create_engine("sqlite://", creator=lambda: connection, poolclass=StaticPool, pool_reset_on_return=None)
    try:
        with engine.connect() as wrapped:
            wrapped.exec_driver_sql("BEGIN IMMEDIATE")
            version = file_version(connection)
            if not connection.execute(_HAS_VERSION_TABLE).fetchone():
                connection.execute(VERSION_TABLE)
                if version:
                    connection.execute("INSERT INTO alembic_version VALUES (?)", (f"v{version}",))
            config.attributes["connection"] = wrapped
            command.upgrade(config, "head")
            (newest,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            connection.execute(f"PRAGMA user_version = {newest.removeprefix('v')}")
            wrapped.commit()
    except DBAPIError as error:
        raise sqlite3.OperationalError(str(error.orig)) from error
