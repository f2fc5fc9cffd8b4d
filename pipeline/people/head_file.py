"""``people.head``: where the chain of the people's file ends, kept outside that file.

Without it nobody would notice entries that are missing from the end, or that another program has added. It is written
before every commit, with the old end and the new one, and after it, with the new one alone. So after a crash in between
both ends are right.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.people.chain import DamageError, JournalError, Tip
from pipeline.store.atomic_write import write_private

__all__ = ["HeadFile", "head_path"]


def head_path(out: Path) -> Path:
    return out / "people.head"


class HeadFile:
    """The head file of one output folder. Write it under `pipeline.people.file_locks.write_lock`."""

    def __init__(self, out: Path) -> None:
        self.path = head_path(out)

    def read(self) -> tuple[Tip, ...]:
        """The ends that are right: one, or two after a crash; none if there is no such file.

        Raises DamageError if the file cannot be read.
        """
        try:
            lines = self.path.read_text(encoding="ascii").splitlines()
            tips = [Tip(int(length), digest) for length, digest in (line.split(" ") for line in lines)]
        except FileNotFoundError:
            return ()
        except (OSError, ValueError) as error:
            raise DamageError(f"{self.path.name} beside it cannot be read ({error})") from error
        if not 1 <= len(tips) <= 2 or self._text(tips) != "".join(f"{line}\n" for line in lines):
            raise DamageError(f"{self.path.name} beside it is damaged")
        return tuple(tips)

    def write(self, *tips: Tip) -> None:
        """Raises JournalError."""
        try:
            write_private(self.path, self._text(tips).encode())
        except OSError as error:
            raise JournalError(f"{self.path}: cannot be written ({error.strerror}). Nothing was stored.") from error

    @staticmethod
    def _text(tips: tuple[Tip, ...] | list[Tip]) -> str:
        return "".join(f"{tip.length} {tip.digest}\n" for tip in tips)
