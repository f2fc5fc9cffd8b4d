"""Changes of the people's file behind the program's back, by somebody with ``sqlite3``. None may be accepted."""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from pipeline.attacks.attack_report import AttackResult
from pipeline.attacks.sample_folder import EXAM, keep, say
from pipeline.people.chain import EMPTY_CHAIN, Tip, canonical_json, next_entry
from pipeline.people.schema import people_path
from pipeline.review.integrity import check_folder

__all__ = ["ENTRY_FORGERIES", "OTHER_FORGERIES", "Forgery", "forge", "try_forgeries"]

Forgery = str | Callable[[sqlite3.Connection], object]
DROP = "DROP TRIGGER entries_stay; DROP TRIGGER entries_remain;"


def tip_of(connection: sqlite3.Connection) -> Tip:
    return Tip(*connection.execute("SELECT number, hash FROM entries ORDER BY number DESC LIMIT 1").fetchone())


def insert(connection: sqlite3.Connection, at: str, body: str, kind: str = "answer", number: int | None = None) -> None:
    """A row with a right hash, at the end or elsewhere."""
    before = tip_of(connection) if number is None else Tip(number - 1, "0" * 64)
    entry = next_entry(before, at, kind, *EXAM, body)
    connection.execute("INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?, ?)", tuple(vars(entry).values()))


def rehash(connection: sqlite3.Connection) -> None:
    """All hashes anew, as somebody would who knows how they are made."""
    tip = EMPTY_CHAIN
    for number, *row in connection.execute("SELECT number, at, kind, animal, date, body FROM entries").fetchall():
        tip = next_entry(tip, *row).tip
        connection.execute("UPDATE entries SET hash = ? WHERE number = ?", (tip.digest, number))


def number_of(text: str) -> str:
    return f"(SELECT min(number) FROM entries WHERE body LIKE '%{text}%')"


SIGNED, LAID = number_of('"kind":"signed"'), number_of('"kind":"laid"')
SIGNING = canonical_json({"answer": {"kind": "signed", "name": "E", "role": "vet"}, "sequence": 4})
OTHER_FORGERIES: dict[str, Forgery] = {
    "drop a trigger": "DROP TRIGGER entries_stay",
    "drop the other trigger": "DROP TRIGGER entries_remain",
    "drop both triggers": DROP,
    "a trigger of one's own": "CREATE TRIGGER mine AFTER INSERT ON entries BEGIN SELECT 1; END",
    "a table of one's own": "CREATE TABLE mine (a)",
    "an index of one's own": "CREATE INDEX mine ON entries (kind)",
    "a later schema": "PRAGMA user_version = 3",
    "an earlier schema": "PRAGMA user_version = 0",
    "the schema before": "PRAGMA user_version = 1",
    "a later revision": "UPDATE alembic_version SET version_num = 'v3'",
    "no revision": "DELETE FROM alembic_version",
    "no revisions": "DROP TABLE alembic_version",
    "another program's file": "PRAGMA application_id = 1",
    "another password": "UPDATE credentials SET password = '$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$aGFzaA'",
    "a password of a user without one": "INSERT INTO credentials VALUES ('Ned Rush', '$argon2id$')",
    "a password of nobody": "INSERT INTO credentials VALUES ('Eve', '$argon2id$')",
    "no password": "DELETE FROM credentials",
}
ENTRY_FORGERIES: dict[str, Forgery] = {
    "another signer": f"{DROP} UPDATE entries SET body = replace(body, 'Orla', 'Erna') WHERE number = {SIGNED}",
    "logged in": f"{DROP} UPDATE entries SET body = replace(body, 'true', 'false') WHERE number = {SIGNED}",
    "another exam": f"{DROP} UPDATE entries SET animal = 'AF-0001' WHERE number = {SIGNED}",
    "another date": f"{DROP} UPDATE entries SET date = '2026-05-13' WHERE number = {SIGNED}",
    "another time": f"{DROP} UPDATE entries SET at = '2020-01-01T00:00:00.000+00:00' WHERE number = {SIGNED}",
    "another kind": f"{DROP} UPDATE entries SET kind = 'snapshot' WHERE number = {SIGNED}",
    "another outcome": f"{DROP} UPDATE entries SET body = replace(body, '6', '9') WHERE number = {LAID}",
    "another hash": f"{DROP} UPDATE entries SET hash = upper(hash) WHERE number = {SIGNED}",
    "spaces in the text": f"{DROP} UPDATE entries SET body = body || ' ' WHERE number = {SIGNED}",
    "remove a signature": f"{DROP} DELETE FROM entries WHERE number = {SIGNED}",
    "remove the first": f"{DROP} DELETE FROM entries WHERE number = 1",
    "remove the last": f"{DROP} DELETE FROM entries WHERE number = (SELECT max(number) FROM entries)",
    "remove the last five": f"{DROP} DELETE FROM entries WHERE number > (SELECT max(number) - 5 FROM entries)",
    "remove all": f"{DROP} DELETE FROM entries",
    "exchange two": f"{DROP} UPDATE entries SET number = -1 WHERE number = 4; UPDATE entries SET number = 4 WHERE "
    "number = 5; UPDATE entries SET number = 5 WHERE number = -1",
    "insert before the first": lambda c: insert(c, "2020-01-01", SIGNING, number=0),
    "insert with an old date": lambda c: insert(c, "2020-01-01T00:00:00.000+00:00", SIGNING),
    "insert with a new date and a right hash": lambda c: insert(c, "2099-01-01T00:00:00.000+00:00", SIGNING),
    "insert an account": lambda c: insert(c, "2099-01-01", canonical_json({"name": "Eve"}), "account"),
    "insert far beyond the end": lambda c: insert(c, "2099-01-01", SIGNING, number=1000),
    "a new chain, another signer": lambda c: rehash(
        c.executescript(f"{DROP} UPDATE entries SET body = replace(body, 'Orla', 'Erna')").connection
    ),
}  # fmt: skip


def forge(connection: sqlite3.Connection, forgery: Forgery) -> None:
    """Carry out a forgery, and put the triggers back if it had to drop them."""
    triggers = connection.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    if isinstance(forgery, str):
        connection.executescript(forgery)
    else:
        forgery(connection)
    if forgery in ENTRY_FORGERIES.values():
        kept = connection.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (statement,) in sorted({*triggers} - {*kept}):
            connection.execute(statement)


def try_forgeries(folder: Path) -> AttackResult:
    """Try each forgery on a folder of its own, and have it checked as ``clutchlight check`` does."""
    began, outcomes, examples = time.monotonic(), Counter[str](), []
    sound = folder / "sound"
    sound.mkdir(parents=True)
    say(sound)
    keep(sound)
    every = {**ENTRY_FORGERIES, **OTHER_FORGERIES}
    for name, forgery in every.items():
        out = Path(shutil.copytree(sound, folder / "forged"))
        with closing(sqlite3.connect(people_path(out))) as connection, connection:
            forge(connection, forgery)
        found = any(people_path(out).name in problem for problem in check_folder(out).problems)
        outcomes["noticed" if found else "accepted"] += 1
        if not found:
            examples.append(f"{name}: accepted.")
        shutil.rmtree(out)
    harm = outcomes["accepted"]
    return AttackResult("forgeries", len(every), outcomes, harm, time.monotonic() - began, {}, examples)
