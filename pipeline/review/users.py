"""Users: their permissions, and how they prove who they are."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Literal

from pipeline.review.event_log import EventLog, UserRow

__all__ = ["PERMISSIONS", "Permission", "User", "Users", "clean_text"]

Permission = Literal["look", "review", "sign"]
PERMISSIONS: tuple[Permission, ...] = ("look", "review", "sign")  # each includes those before it
MAXIMUM_NAME_LENGTH, MINIMUM_PASSWORD_LENGTH, MAXIMUM_PASSWORD_LENGTH = 80, 10, 1000


@dataclass(frozen=True)
class User:
    """name : as signed;  role : in the user's own words, as in "veterinarian"."""

    name: str
    role: str
    permission: Permission

    def can(self, permission: Permission) -> bool:
        return PERMISSIONS.index(self.permission) >= PERMISSIONS.index(permission)


def clean_text(text: str, maximum_length: int = MAXIMUM_NAME_LENGTH) -> str:
    """One line without control characters, cut to a length; "" if nothing is left."""
    normalized = unicodedata.normalize("NFC", text)
    printable = "".join(c if unicodedata.category(c)[0] != "C" else " " for c in normalized)
    return " ".join(printable.split())[:maximum_length].strip()


class Users:
    """Those who may log in, stored in the event log's file; passwords as argon2id hashes (RFC 9106)."""

    def __init__(self, event_log: EventLog) -> None:
        from argon2 import PasswordHasher

        self._event_log = event_log
        self._hasher = PasswordHasher()
        # Verified for unknown names, so that they take as long as known ones.
        self._unknown_user_hash = self._hasher.hash("no user's password")

    def list_users(self) -> list[User]:
        return [_user(row) for row in self._event_log.users()]

    def find(self, name: str) -> User | None:
        """The user of this name with the current permission, None if they may not log in."""
        return next((user for user in self.list_users() if user.name == name), None)

    def save(self, user: User, password: str) -> None:
        """Add a user, or change role, permission and password.

        Raises ValueError, with a text for people, if the name or the password is not allowed.
        """
        if clean_text(user.name) != user.name or not user.name:
            raise ValueError(f"A name is one line of at most {MAXIMUM_NAME_LENGTH} characters.")
        if not MINIMUM_PASSWORD_LENGTH <= len(password) <= MAXIMUM_PASSWORD_LENGTH:
            raise ValueError(
                f"A password has at least {MINIMUM_PASSWORD_LENGTH} and at most {MAXIMUM_PASSWORD_LENGTH} characters."
            )
        self._event_log.save_user(UserRow(user.name, user.role, user.permission, self._hasher.hash(password)))

    def remove(self, name: str) -> bool:
        """Whether there was such a user."""
        return self._event_log.remove_user(name)

    def authenticate(self, name: str, password: str) -> User | None:
        """The user of this name if the password is right, else None."""
        from argon2.exceptions import InvalidHashError, VerificationError

        row = next((row for row in self._event_log.users() if row.name == name), None)
        try:
            self._hasher.verify(row.password if row else self._unknown_user_hash, password)
        except (VerificationError, InvalidHashError):
            return None
        return None if row is None else _user(row)


def _user(row: UserRow) -> User:
    return User(row.name, row.role, next(one for one in PERMISSIONS if one == row.permission))
