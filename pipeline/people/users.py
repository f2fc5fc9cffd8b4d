"""Users: their permissions, and how they prove who they are."""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from typing import Literal, NamedTuple

from pipeline.people.chain import DamageError
from pipeline.people.journal import Journal, JournalReader, JournalWriter

__all__ = ["PERMISSIONS", "Account", "Permission", "User", "Users", "clean_text"]

Permission = Literal["look", "review", "sign"]
PERMISSIONS: tuple[Permission, ...] = ("look", "review", "sign")  # each includes those before it
MAXIMUM_NAME_LENGTH, MINIMUM_PASSWORD_LENGTH, MAXIMUM_PASSWORD_LENGTH = 80, 10, 1000


@dataclass(frozen=True)
class User:
    """name : as signed;  role : in the user's own words, as in "veterinarian"

    logged_in : whether a password proved the name; if not, it was chosen from a list at the machine itself
    """

    name: str
    role: str
    permission: Permission
    logged_in: bool = False

    def can(self, permission: Permission) -> bool:
        return PERMISSIONS.index(self.permission) >= PERMISSIONS.index(permission)


class Account(NamedTuple):
    """Who logs in. password_hash : changes with the password, and only with it; "" for one who cannot log in"""

    user: User
    password_hash: str


def clean_text(text: str, maximum_length: int = MAXIMUM_NAME_LENGTH) -> str:
    """One line without control characters, cut to a length; "" if nothing is left."""
    normalized = unicodedata.normalize("NFC", text)
    printable = "".join(c if unicodedata.category(c)[0] != "C" else " " for c in normalized)
    return " ".join(printable.split())[:maximum_length].strip()


class Users:
    """The people of an output folder: those who may log in, and those who are only chosen from a list.

    Every change is an entry of the journal. Passwords are kept as argon2id hashes (RFC 9106), apart from the
    entries, so that an old one goes; an entry holds the SHA-256 of the hash.
    """

    def __init__(self, journal: Journal) -> None:
        from argon2 import PasswordHasher

        self._journal = journal
        self._hasher = PasswordHasher()
        # Verified for unknown names, so that they take as long as known ones.
        self._unknown_user_hash = self._hasher.hash("no user's password")

    def list_users(self) -> list[User]:
        """All of them, by name."""
        with self._journal.reading() as reader:
            accounts = _accounts(reader)
        return [accounts[name].user for name in sorted(accounts)]

    def find(self, name: str) -> Account | None:
        """The account of this name as it is now, None if there is none."""
        with self._journal.reading() as reader:
            return _accounts(reader).get(name)

    def save(self, user: User, password: str | None) -> None:
        """Add a user, or change role, permission and password. password : None for one who cannot log in

        Raises ValueError, with a text for people, if the name, the role or the password is not allowed.
        """
        _check_name(user)
        if password is not None and not MINIMUM_PASSWORD_LENGTH <= len(password) <= MAXIMUM_PASSWORD_LENGTH:
            raise ValueError(
                f"A password has at least {MINIMUM_PASSWORD_LENGTH} and at most {MAXIMUM_PASSWORD_LENGTH} characters."
            )
        password_hash = ""
        if password is not None:
            known = self.authenticate(user.name, password)  # a password that stays keeps its hash; sessions go on
            password_hash = known.password_hash if known else self._hasher.hash(password)
        with self._journal.writing() as writer:
            _store(writer, user, password_hash)

    def add_name(self, name: str, role: str) -> User:
        """Add somebody who is chosen from the list at this machine, may sign, and cannot log in.

        Raises ValueError, with a text for people, if the name or role is not allowed, or the name is in the list.
        """
        user = User(clean_text(name), clean_text(role), "sign")
        _check_name(user)
        with self._journal.writing() as writer:
            if user.name.casefold() in {known.casefold() for known in _accounts(writer)}:
                raise ValueError("This name is in the list already: choose it there.")
            _store(writer, user, "")
        return user

    def remove(self, name: str) -> bool:
        """Whether there was such a user. The user's answers stay."""
        with self._journal.writing() as writer:
            if name not in _accounts(writer):
                return False
            writer.append("account-removed", {"name": name})
            writer.set_password(name, None)
        return True

    def authenticate(self, name: str, password: str) -> Account | None:
        """The account of this name if the password is right, else None."""
        from argon2.exceptions import InvalidHashError, VerificationError

        account = self.find(name)
        has_password = account is not None and account.password_hash
        try:
            self._hasher.verify(
                account.password_hash if account and has_password else self._unknown_user_hash, password
            )
        except (VerificationError, InvalidHashError):
            return None
        return account if has_password else None


def _check_name(user: User) -> None:
    if clean_text(user.name) != user.name or not user.name:
        raise ValueError(f"A name is one line of at most {MAXIMUM_NAME_LENGTH} characters.")
    if clean_text(user.role) != user.role or not user.role:
        raise ValueError(
            f"A role is one line of at most {MAXIMUM_NAME_LENGTH} characters. It appears on signed sheets."
        )


def _store(writer: JournalWriter, user: User, password_hash: str) -> None:
    credential = hashlib.sha256(password_hash.encode()).hexdigest() if password_hash else ""
    content = {"name": user.name, "role": user.role, "permission": user.permission, "credential": credential}
    writer.append("account", content)
    writer.set_password(user.name, password_hash or None)


def _accounts(reader: JournalReader) -> dict[str, Account]:
    """The accounts by name, as the entries leave them. Raises DamageError if the passwords are others than stored."""
    passwords = reader.passwords()
    accounts: dict[str, Account] = {}
    digests: dict[str, str] = {}
    for entry in sorted([*reader.entries("account"), *reader.entries("account-removed")], key=lambda e: e.number):
        content = entry.content
        name = content["name"]
        if entry.kind == "account-removed":
            del accounts[name], digests[name]
            continue
        permission = next(one for one in PERMISSIONS if one == content["permission"])
        accounts[name] = Account(User(name, content["role"], permission), passwords.get(name, ""))
        digests[name] = content["credential"]
    if set(passwords) - set(accounts):
        raise DamageError(f"it holds a password of {min(set(passwords) - set(accounts))}, who has no account")
    for name, account in accounts.items():
        found = account.password_hash
        if (hashlib.sha256(found.encode()).hexdigest() if found else "") != digests[name]:
            raise DamageError(f"the password of {name} has changed since it was stored")
    return accounts
