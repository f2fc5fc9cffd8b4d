"""Databases of earlier versions, made with the statements of those versions."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

SCANNED = """
CREATE TABLE runs (identity INTEGER NOT NULL, started VARCHAR NOT NULL, ended VARCHAR, settings_sha256 VARCHAR NOT NULL,
    model_sha256 VARCHAR NOT NULL, engine VARCHAR NOT NULL, outcome VARCHAR, PRIMARY KEY (identity));
CREATE TABLE scans (identity INTEGER NOT NULL, clip_sha256 VARCHAR NOT NULL, model_sha256 VARCHAR NOT NULL,
    settings_sha256 VARCHAR NOT NULL, engine VARCHAR NOT NULL, archive BLOB NOT NULL, PRIMARY KEY (identity),
    UNIQUE (clip_sha256, model_sha256, settings_sha256, engine));
CREATE TABLE pictures (scan INTEGER NOT NULL, track INTEGER NOT NULL, frame INTEGER NOT NULL, ellipse VARCHAR NOT NULL,
    jpeg BLOB NOT NULL, PRIMARY KEY (scan, track),
    FOREIGN KEY(scan) REFERENCES scans (identity) ON DELETE CASCADE);
CREATE TABLE exams (animal VARCHAR NOT NULL, date VARCHAR NOT NULL, fingerprint VARCHAR NOT NULL,
    document VARCHAR NOT NULL, files VARCHAR NOT NULL, run INTEGER NOT NULL, PRIMARY KEY (animal, date),
    FOREIGN KEY(run) REFERENCES runs (identity));
"""
OUTCOMES = """
CREATE TABLE outcomes (identity INTEGER NOT NULL, recorded VARCHAR NOT NULL, animal VARCHAR NOT NULL,
    kind VARCHAR NOT NULL, date VARCHAR NOT NULL, number INTEGER, who VARCHAR, note VARCHAR, withdrawn BOOLEAN NOT NULL,
    PRIMARY KEY (identity));
"""
REFUSALS = """
CREATE TABLE refusals (clip_sha256 VARCHAR NOT NULL, recorded VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    PRIMARY KEY (clip_sha256));
"""
# By name: version and tables. Version 3 was written in three forms while it was made.
STORES = {
    "1": (1, SCANNED),
    "2": (2, SCANNED + OUTCOMES),
    "3": (3, SCANNED + REFUSALS),
    "3 without refusals": (3, SCANNED),
    "3 with outcomes": (3, SCANNED + OUTCOMES + REFUSALS),
}
ROWS = """
INSERT INTO runs VALUES (4, '2026-05-14T22:00:00+00:00', '2026-05-15T01:00:00+00:00', 's', 'm', 'openvino', 'done');
INSERT INTO scans VALUES (2, 'c', 'm', 's', 'openvino', x'007061636b6564ff');
INSERT INTO pictures VALUES (2, 1, 7, '[10.5, 20.25, 9.0, 6.0, 0.1]', x'6a706567');
INSERT INTO pictures VALUES (2, 3, 9, '[1.0, 2.0, 3.0, 2.0, 179.9]', x'ffd8');
INSERT INTO exams VALUES ('AF-0412', '2026-05-14', 'f', '{"animal": "AF-0412"}',
    '["AF-0412/2026-05-14/result.json"]', 4);
"""
LAID = """
INSERT INTO outcomes VALUES (1, '2026-05-21', 'AF-0412', 'laid', '2026-05-20', 6, 'K. Sedge', NULL, 0);
INSERT INTO outcomes VALUES (2, '2026-05-22', 'AF-0412', 'laid', '2026-05-20', NULL, NULL, NULL, 1);
"""

REVIEWS = """
CREATE TABLE censuses (identity INTEGER PRIMARY KEY, animal TEXT NOT NULL, date TEXT NOT NULL,
    fingerprint TEXT NOT NULL, document TEXT NOT NULL, UNIQUE (animal, date, fingerprint));
CREATE TABLE events (identity INTEGER PRIMARY KEY AUTOINCREMENT, animal TEXT NOT NULL, date TEXT NOT NULL,
    sequence INTEGER NOT NULL, at TEXT NOT NULL, person TEXT NOT NULL, request TEXT NOT NULL,
    census INTEGER NOT NULL REFERENCES censuses, answer TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL,
    UNIQUE (animal, date, sequence), UNIQUE (animal, date, request));
CREATE TABLE people (name TEXT PRIMARY KEY, role TEXT NOT NULL, may TEXT NOT NULL, password TEXT NOT NULL);
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'answers are only added'); END;
CREATE TRIGGER events_remain BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'answers are only added'); END;
CREATE TRIGGER censuses_stay BEFORE UPDATE ON censuses BEGIN SELECT RAISE(ABORT, 'snapshots never change'); END;
CREATE TRIGGER censuses_remain BEFORE DELETE ON censuses BEGIN SELECT RAISE(ABORT, 'snapshots never change'); END;
PRAGMA user_version = 1;
"""
ANSWERS = ('{"kind":"comment","text":"seen"}', '{"kind":"signed","name":"Orla Finch","role":"veterinarian"}')
SIGNED_AT = "2026-05-16T08:00:00.000+00:00"
EXAM, COUNTS = ("AF-0412", "2026-05-14"), {"shelled": [5, 6, 6, 7]}


def write_store(out: Path, form: str, *, outcomes: bool = False) -> None:
    """A store with a run, a scan with two pictures and an exam. outcomes : with two outcomes"""
    version, tables = STORES[form]
    with closing(sqlite3.connect(out / "clutchlight.sqlite")) as store, store:
        store.executescript(f"{tables}{ROWS}{LAID if outcomes else ''}PRAGMA user_version = {version};")


def write_reviews(out: Path) -> None:
    """A comment and a signature of one user."""
    with closing(sqlite3.connect(out / "reviews.sqlite")) as old, old:
        old.executescript(REVIEWS)
        old.execute("INSERT INTO people VALUES ('Orla Finch', 'veterinarian', 'sign', '$argon2id$hash')")
        old.execute("INSERT INTO censuses VALUES (7, ?, ?, 'f', '{}')", EXAM)
        for n, answer in enumerate(ANSWERS, start=1):
            counts = json.dumps(COUNTS)
            values = (*EXAM, n, SIGNED_AT, "Orla Finch", f"request-{n}", 7, answer, counts, counts)
            old.execute(f"INSERT INTO events VALUES (NULL{', ?' * len(values)})", values)


def set_back_people(path: Path) -> None:
    """Make a people's file one of version 1, which is the same without Alembic's table."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TABLE alembic_version")
        connection.execute("PRAGMA user_version = 1")
