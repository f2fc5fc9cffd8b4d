"""Users: their permissions, and how they prove who they are."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Literal, NamedTuple

from pipeline.review.event_log import EventLog, UserRow

__all__ = ["PERMISSIONS", "Account", "Permission", "User", "Users", "clean_text"]

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


class Account(NamedTuple):
    """Who logs in. password_hash : changes with the password, and only with it; "" where users need none"""

    user: User
    password_hash: str


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

    def find(self, name: str) -> Account | None:
        """The account of this name as it is now, None if there is none."""
        rows = self._event_log.users()
        return next((Account(_user(row), row.password) for row in rows if row.name == name), None)

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
        known = self.authenticate(user.name, password)  # a password that stays keeps its hash, and sessions go on
        password_hash = known.password_hash if known else self._hasher.hash(password)
        self._event_log.save_user(UserRow(user.name, user.role, user.permission, password_hash))

    def remove(self, name: str) -> bool:
        """Whether there was such a user."""
        return self._event_log.remove_user(name)

    def authenticate(self, name: str, password: str) -> Account | None:
        """The account of this name if the password is right, else None."""
        from argon2.exceptions import InvalidHashError, VerificationError

        account = self.find(name)
        try:
            self._hasher.verify(account.password_hash if account else self._unknown_user_hash, password)
        except (VerificationError, InvalidHashError):
            return None
        return account


def _user(row: UserRow) -> User:
    return User(row.name, row.role, next(one for one in PERMISSIONS if one == row.permission))
