"""Who may do what, and how they prove who they are."""

from __future__ import annotations

import threading
import unicodedata
from dataclasses import dataclass
from typing import Literal

from pipeline.review.event_log import Journal

__all__ = ["RIGHTS", "People", "Person", "Right", "clean"]

Right = Literal["look", "review", "sign"]
RIGHTS: tuple[Right, ...] = ("look", "review", "sign")
LONGEST_NAME, SHORTEST_PASSWORD, LONGEST_PASSWORD = 80, 10, 1000


@dataclass(frozen=True)
class Person:
    """name : as signed;  role : in the person's own words, "veterinarian";  may : each right has those before it"""

    name: str
    role: str
    may: Right

    def can(self, right: Right) -> bool:
        return RIGHTS.index(self.may) >= RIGHTS.index(right)


def clean(text: str, longest: int = LONGEST_NAME) -> str:
    """One line without control characters, cut to a length; "" where nothing is left."""
    plain = unicodedata.normalize("NFC", text)
    return " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in plain).split())[:longest].strip()


class People:
    """Those who may log in, kept in the journal's file; passwords as argon2id hashes (RFC 9106)."""

    def __init__(self, journal: Journal) -> None:
        from argon2 import PasswordHasher

        self._journal = journal
        self._one_at_a_time = threading.Lock()  # a check takes 64 MiB, and strangers may send many
        self._hasher = PasswordHasher()
        # So that a name that nobody has takes as long as one that somebody has.
        self._nobody = self._hasher.hash("nobody's password")

    def names(self) -> list[Person]:
        return [Person(name, role, _right(may)) for name, role, may, _ in self._journal.people()]

    def standing(self, name: str) -> Person | None:
        """The person of this name as they may come in now, None where they may not."""
        return next((person for person in self.names() if person.name == name), None)

    def save(self, person: Person, password: str) -> None:
        """Let a person log in, or change how. Raises ValueError, in words, where name or password will not do."""
        if clean(person.name) != person.name or not person.name:
            raise ValueError(f"A name is one line of at most {LONGEST_NAME} letters.")
        if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
            raise ValueError(f"A password has at least {SHORTEST_PASSWORD} letters.")
        self._journal.save_person(person.name, person.role, person.may, self._hasher.hash(password))

    def remove(self, name: str) -> bool:
        return self._journal.remove_person(name)

    def known(self, name: str, password: str) -> Person | None:
        """The person of this name, if the password is theirs."""
        from argon2.exceptions import InvalidHashError, VerificationError

        found = next((row for row in self._journal.people() if row[0] == name), None)
        try:
            with self._one_at_a_time:
                self._hasher.verify(found[3] if found else self._nobody, password)
        except (VerificationError, InvalidHashError):
            return None
        return None if found is None else Person(found[0], found[1], _right(found[2]))


def _right(text: str) -> Right:
    return next(right for right in RIGHTS if right == text)
