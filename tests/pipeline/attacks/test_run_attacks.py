"""The command that attacks the program: it runs everything, and would say so if an attack did harm."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from models.errors import ClutchlightError
from pipeline.attacks import kills
from pipeline.attacks.attack_report import AttackReport, AttackResult
from pipeline.attacks.bit_flips import flip_bits
from pipeline.attacks.forgeries import try_forgeries
from pipeline.attacks.hostile_files import hostile_exam_files
from pipeline.attacks.run_attacks import ATTACKS, FULL
from pipeline.attacks.sample_folder import keep, kept, said, say
from pipeline.attacks.strangers import send_without_login
from pipeline.cli.exit_codes import ExitCode
from pipeline.people.schema import people_path
from pipeline.review.integrity import FolderCheck, check_folder
from pipeline.store.schema import Table
from pipeline.store.sqlite_database import database_path
from tests.pipeline.conftest import Clutchlight


def test_a_few_attacks_of_each_kind_do_no_harm(tmp_path: Path, clutchlight: Clutchlight) -> None:
    done = clutchlight("bench", "attacks", "--out", tmp_path, "--quick", "--quiet")
    assert done.code == ExitCode.DONE, done.stdout
    document = json.loads((tmp_path / "attacks.json").read_text())
    assert document["passed"]
    assert len(document["attacks"]) == len(ATTACKS)
    assert all(sum(attack["outcomes"].values()) >= attack["tries"] > 0 for attack in document["attacks"])


def test_an_unknown_attack_is_named(tmp_path: Path, clutchlight: Clutchlight) -> None:
    done = clutchlight("bench", "attacks", "--out", tmp_path, "--only", "floods")
    assert done.code == ExitCode.USAGE
    assert "no attack floods" in done.stderr


def test_harm_is_counted_and_shown() -> None:
    harmless = AttackResult("kills", 3, {"killed": 3}, 0, 1.0, {"rows_lost": 0})
    harmful = AttackResult("bit flips", 2, {"unnoticed": 1}, 1, 1.0, {}, ["byte 7: unnoticed."])
    assert AttackReport(1, [harmless]).passed
    report = AttackReport(1, [harmless, harmful])
    assert not report.passed
    assert "bit flips: byte 7: unnoticed." in report.table()


@pytest.mark.parametrize("target", [database_path, people_path])
def test_damaged_names_in_the_schema_are_damage(tmp_path: Path, target: Callable[[Path], Path]) -> None:
    """SQLite quotes them in messages that Python cannot decode."""
    keep(tmp_path)
    say(tmp_path)
    content = target(tmp_path).read_bytes()
    name = b"archive" if target is database_path else b"credentials"
    target(tmp_path).write_bytes(content.replace(name, b"\xcc" + name[1:]))
    assert any("damaged" in problem or "changed" in problem for problem in check_folder(tmp_path).problems)
    with pytest.raises(ClutchlightError, match=target(tmp_path).name):
        kept(tmp_path) if target is database_path else said(tmp_path)


def test_flips_are_harm_where_nothing_compares_the_hashes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Table, "is_sound", property(lambda row: True))
    monkeypatch.setattr("pipeline.store.schema.ScanRow.is_sound", property(lambda row: True))
    monkeypatch.setattr("pipeline.store.schema.ExamRow.is_sound", property(lambda row: True))
    result = flip_bits(tmp_path, 60, seed=3)
    assert result.harm > 0
    assert "clutchlight.sqlite" in result.examples[0]


def test_forgeries_are_harm_where_the_check_finds_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.attacks.forgeries.check_folder", lambda out: FolderCheck(()))
    result = try_forgeries(tmp_path)
    assert result.harm == result.tries >= 30


def test_other_bytes_after_a_kill_are_harm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kills, "_run_night", lambda *arguments, **options: 0 if arguments[2] == kills.WAIT_S else -9)
    monkeypatch.setattr(kills, "_files", lambda out: {"report.html": str(out).encode()})
    stored = iter([{("AF-1",)}, set()])
    monkeypatch.setattr(kills, "_stored", lambda out: next(stored))
    result = kills.kill_nights(tmp_path, 1, 1, lambda done, total: None)
    assert result.harm == 2
    assert (result.measured["nights_with_other_bytes"], result.measured["rows_lost"]) == (1, 1)


def test_answers_without_login_are_harm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.attacks.strangers.HEADS", ("GET /login HTTP/1.1",))  # shown to everybody
    assert send_without_login(tmp_path, 8, parallel=8).harm == 8


def test_side_files_are_the_same_for_the_same_seed_and_of_many_kinds() -> None:
    files = list(hostile_exam_files(FULL.side_files, 17))
    assert files == list(hostile_exam_files(FULL.side_files, 17))
    assert len({file.kind for file in files}) > 15
    assert len({file.content for file in files}) > 90
