"""The hash chain of what people said: every entry is hashed together with the hash of the entry before it.

A changed, removed, inserted or reordered entry breaks the chain, at the latest where it ends (`head_file`). The chain
has no secret: it shows changes, and does not stop somebody who computes all of it anew, and the head file as well. Only
the hashes on signed sheets, and copies kept elsewhere, show that.
"""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from models.errors import ClutchlightError

__all__ = ["EMPTY_CHAIN", "ChainIndex", "DamageError", "Entry", "JournalError", "Tip", "canonical_json", "next_entry"]


class JournalError(ClutchlightError):
    """What people said cannot be read or stored. The text names the file and says what to do."""


class DamageError(Exception):
    """Something is not as it was stored. The text says what, without the file; `Journal` makes it a JournalError."""


class Tip(NamedTuple):
    """Where a chain ends. length : of the chain;  digest : of the last one, SHA-256 in hex"""

    length: int
    digest: str


EMPTY_CHAIN = Tip(0, "0" * 64)


@dataclass(frozen=True)
class Entry:
    """One thing that somebody said.

    number : 1, 2, 3, ... in the order of storing;  at : when it was stored, UTC, ISO 8601; never decreases
    kind : "answer", "snapshot", "outcome", "account", "account-removed", "migration" or "restore"
    animal, date : of the exam or outcome, "" for others;  body : canonical JSON
    digest : SHA-256 of all of these and of the digest before, hex
    """

    number: int
    at: str
    kind: str
    animal: str
    date: str
    body: str
    digest: str

    @property
    def content(self) -> dict[str, Any]:
        """The body, parsed."""
        parsed: dict[str, Any] = json.loads(self.body)
        return parsed

    @property
    def tip(self) -> Tip:
        return Tip(self.number, self.digest)


def canonical_json(content: Any) -> str:
    """The same text for equal content: sorted keys, no spaces, ASCII."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)


def next_entry(before: Tip, at: str, kind: str, animal: str, date: str, body: str) -> Entry:
    """The entry that follows this tip."""
    number = before.length + 1
    return Entry(number, at, kind, animal, date, body, _digest(number, at, kind, animal, date, body, before.digest))


def _digest(number: int, at: str, kind: str, animal: str, date: str, body: str, before: str) -> str:
    row = {"number": number, "at": at, "kind": kind, "animal": animal, "date": date, "body": body, "before": before}
    return hashlib.sha256(canonical_json(row).encode()).hexdigest()


class ChainIndex:
    """The digests of all entries that were verified, and which entries are about what."""

    def __init__(self) -> None:
        self._digests = [EMPTY_CHAIN.digest]
        self._last_at = ""
        self._by_kind: dict[str, list[int]] = defaultdict(list)
        self._by_exam: dict[tuple[str, str, str], list[int]] = defaultdict(list)

    @property
    def tip(self) -> Tip:
        return Tip(len(self._digests) - 1, self._digests[-1])

    def holds(self, tip: Tip) -> bool:
        """Whether the chain, as far as it was verified, passes through this tip."""
        return 0 <= tip.length < len(self._digests) and self._digests[tip.length] == tip.digest

    def extend(self, rows: Iterable[Sequence[Any]]) -> None:
        """Verify the rows that follow. Raises DamageError, which names the first wrong entry."""
        for row in rows:
            expected = len(self._digests)
            entry = self._verified(row, expected)
            if entry.at < self._last_at:
                raise DamageError(f"entry {expected} has an earlier time ({entry.at}) than the one before it")
            self._digests.append(entry.digest)
            self._last_at = entry.at
            self._by_kind[entry.kind].append(expected)
            self._by_exam[entry.kind, entry.animal, entry.date].append(expected)

    def verified(self, row: Sequence[Any] | None, number: int) -> Entry:
        """The entry in a row that was verified before. Raises DamageError if it is missing or has changed since."""
        entry = self._verified(row, number)
        if entry.digest != self._digests[number]:
            raise DamageError(f"entry {number} has changed since it was stored")
        return entry

    def numbers(self, kind: str, *, first: int = 1, last: int) -> list[int]:
        """The entries of a kind, from the first to the last number."""
        every = self._by_kind.get(kind, [])
        return every[bisect_right(every, first - 1) : bisect_right(every, last)]

    def exam_numbers(self, kind: str, animal: str, date: str, *, last: int) -> list[int]:
        """The entries of a kind about one exam, up to the last number."""
        every = self._by_exam.get((kind, animal, date), [])
        return every[: bisect_right(every, last)]

    def _verified(self, row: Sequence[Any] | None, number: int) -> Entry:
        if row is None or row[0] != number:
            raise DamageError(f"entry {number} is missing")
        if not all(isinstance(value, str) for value in row[1:]):
            raise DamageError(f"entry {number} holds something other than text")
        entry, before = Entry(*row), Tip(number - 1, self._digests[number - 1])
        if next_entry(before, entry.at, entry.kind, entry.animal, entry.date, entry.body) != entry:
            about = " ".join(part for part in (entry.kind, entry.animal, entry.date) if part)
            raise DamageError(f"entry {number} ({about}) has changed since it was stored")
        return entry
