from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import ValidationError

from configs import ConfigError, config_path
from pipeline.settings import load_settings, settings_sha256


def write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_shipped_settings_are_valid_and_fixed() -> None:
    settings = load_settings()
    assert settings.detect.minimum_score == 0.1
    with pytest.raises(ValidationError, match="frozen"):
        settings.detect.minimum_score = 0.4


def test_every_shipped_number_has_a_comment() -> None:
    lines = config_path("settings.toml").read_text(encoding="utf-8").splitlines()
    bare = [line for line in lines if re.match(r"\w+ *=", line) and not re.search(r" # .+", line)]
    assert bare == []


def test_own_file_changes_only_what_it_names(tmp_path: Path) -> None:
    shipped = load_settings()
    mine = load_settings(write(tmp_path, "[detect]\nminimum_score = 0.4\n"))
    assert mine.detect.minimum_score == 0.4
    assert mine.detect.batch_frames == shipped.detect.batch_frames
    assert mine.ingest == shipped.ingest


def test_mistakes_in_own_file_are_named(tmp_path: Path) -> None:
    path = write(tmp_path, "[detect]\nminimum_scor = 0.4\nbatch_frames = 0\n[trak]\n")
    with pytest.raises(ConfigError) as caught:
        load_settings(path)
    assert str(caught.value).split("\n") == [
        f"{path}, line 2, key 'detect.minimum_scor': unknown key; did you mean 'minimum_score'?",
        f"{path}, line 3, key 'detect.batch_frames': expected greater than or equal to 1, got 0.",
        f"{path}, line 4, key 'trak': unknown key; did you mean 'track'?",
    ]


def test_hash_follows_what_results_depend_on(tmp_path: Path) -> None:
    shipped = settings_sha256(load_settings())
    assert re.fullmatch(r"[0-9a-f]{64}", shipped)
    assert settings_sha256(load_settings(write(tmp_path, "[detect]\nminimum_score = 0.10\n"))) == shipped
    assert settings_sha256(load_settings(write(tmp_path, "[run]\nthreads = 7\n"))) == shipped
    assert settings_sha256(load_settings(write(tmp_path, "[detect]\nminimum_score = 0.31\n"))) != shipped
