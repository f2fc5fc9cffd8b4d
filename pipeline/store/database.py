"""What the store needs of a database beside SQL. Each kind has a module: `sqlite_database`, `postgresql_database`."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from pipeline.store.schema import StoreError

__all__ = ["Database"]


class Database(ABC):
    """The database of one output folder.

    path : the file of the folder that is the database, or that says where it is
    name : where it is, for messages; without a password
    errors : what the driver raises beside SQLAlchemy's DBAPIError
    files : what a copy of the store holds, none if it must be made otherwise
    backup_advice : a sentence about what ``clutchlight backup`` leaves to others, "" if nothing
    """

    path: Path
    name: str
    errors: tuple[type[Exception], ...] = ()
    files: tuple[Path, ...] = ()
    backup_advice: str = ""

    @abstractmethod
    def version(self) -> int:
        """The version of its tables, 0 if there are none. Raises StoreError. Nothing is changed."""

    @abstractmethod
    def prepare(self) -> None:
        """Make the tables of a new database; bring those of an earlier version to this one.

        Raises StoreError, also for tables of a newer version and for the database of another program; CopyError.
        """

    @abstractmethod
    def connect(self, *, read_only: bool = False) -> Engine:
        """An engine with one connection, kept as long as the store is open.

        Threads may share it, as those of the review server do, but only one of them uses it at a time. Each transaction
        sees one moment. Those with the execution option ``writing`` change something.
        """

    @abstractmethod
    def find_damage(self) -> list[str]:
        """What the database itself finds wrong with its files, a sentence each."""

    @abstractmethod
    def give_back_space(self) -> None:
        """Return the space of deleted rows to the disk, where the database does not do so itself. Raises StoreError."""

    @abstractmethod
    def hold_lock(self) -> AbstractContextManager[None]:
        """Keep any other run from writing. Raises LockedError, StoreError."""

    @abstractmethod
    def is_locked(self) -> bool:
        """Whether a run holds that lock now. Raises StoreError."""

    @abstractmethod
    def error(self, action: str, error: BaseException | None) -> StoreError:
        """What went wrong and what to do. action : what was tried, like "opened"; error : the driver's"""

    @contextmanager
    def explained(self, action: str) -> Iterator[None]:
        """Turn the driver's errors into StoreError. action : as above"""
        try:
            yield
        except DBAPIError as error:
            raise self.error(action, error.orig) from error
        except self.errors as error:
            raise self.error(action, error) from error
