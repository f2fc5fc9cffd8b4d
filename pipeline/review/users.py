"""Who may do what, and how they prove who they are."""

from __future__ import annotations

import threading
import unicodedata
from dataclasses import dataclass
from typing import Literal

from pipeline.review.event_log import EventLog

__all__ = ["PERMISSIONS", "Permission", "User", "Users", "clean_text"]

Permission = Literal["look", "review", "sign"]
PERMISSIONS: tuple[Permission, ...] = ("look", "review", "sign")
MAXIMUM_NAME_LENGTH, MINIMUM_PASSWORD_LENGTH, MAXIMUM_PASSWORD_LENGTH = 80, 10, 1000


@dataclass(frozen=True)
class User:
    """name : as signed;  role : in the user's own words, "veterinarian";  permission : each right has those before it"""

    name: str
    role: str
    permission: Permission

    def can(self, permission: Permission) -> bool:
        return PERMISSIONS.index(self.permission) >= PERMISSIONS.index(permission)


def clean_text(text: str, longest: int = MAXIMUM_NAME_LENGTH) -> str:
    """One line without control characters, cut to a length; "" where nothing is left."""
    plain = unicodedata.normalize("NFC", text)
    return " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in plain).split())[:longest].strip()


class Users:
    """Those who may log in, kept in the event log's file; passwords as argon2id hashes (RFC 9106)."""

    def __init__(self, event_log: EventLog) -> None:
        from argon2 import PasswordHasher

        self._event_log = event_log
        self._one_at_a_time = threading.Lock()  # a check takes 64 MiB, and strangers may send many
        self._hasher = PasswordHasher()
        # So that a name that nobody has takes as long as one that somebody has.
        self._nobody = self._hasher.hash("nobody's password")

    def list_users(self) -> list[User]:
        return [User(name, role, _right(may)) for name, role, may, _ in self._event_log.users()]

    def find(self, name: str) -> User | None:
        """The user of this name as they may come in now, None where they may not."""
        return next((user for user in self.list_users() if user.name == name), None)

    def save(self, user: User, password: str) -> None:
        """Let a user log in, or change how. Raises ValueError, in words, where name or password will not do."""
        if clean_text(user.name) != user.name or not user.name:
            raise ValueError(f"A name is one line of at most {MAXIMUM_NAME_LENGTH} letters.")
        if not MINIMUM_PASSWORD_LENGTH <= len(password) <= MAXIMUM_PASSWORD_LENGTH:
            raise ValueError(f"A password has at least {MINIMUM_PASSWORD_LENGTH} letters.")
        self._event_log.save_user(user.name, user.role, user.permission, self._hasher.hash(password))

    def remove(self, name: str) -> bool:
        return self._event_log.remove_user(name)

    def authenticate(self, name: str, password: str) -> User | None:
        """The user of this name, if the password is theirs."""
        from argon2.exceptions import InvalidHashError, VerificationError

        found = next((row for row in self._event_log.users() if row[0] == name), None)
        try:
            with self._one_at_a_time:
                self._hasher.verify(found[3] if found else self._nobody, password)
        except (VerificationError, InvalidHashError):
            return None
        return None if found is None else User(found[0], found[1], _right(found[2]))


def _right(text: str) -> Permission:
    return next(right for right in PERMISSIONS if right == text)
