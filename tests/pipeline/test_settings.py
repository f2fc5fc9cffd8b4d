from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest
from pydantic import ValidationError

from configs import ConfigError, config_path
from pipeline.calibration_file import CalibrationError, calibration_path, calibration_toml, shipped_calibration
from pipeline.settings import load_settings, scan_settings_sha256, settings_sha256


def write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_shipped_settings_are_valid_and_frozen() -> None:
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


def test_the_hash_depends_on_the_values_that_results_depend_on(tmp_path: Path) -> None:
    shipped = settings_sha256(load_settings())
    assert re.fullmatch(r"[0-9a-f]{64}", shipped)
    assert settings_sha256(load_settings(write(tmp_path, "[detect]\nminimum_score = 0.10\n"))) == shipped
    assert settings_sha256(load_settings(write(tmp_path, "[run]\nthreads = 7\n"))) == shipped
    assert settings_sha256(load_settings(write(tmp_path, "[detect]\nminimum_score = 0.31\n"))) != shipped


@pytest.fixture
def own_weights(tmp_path: Path) -> Path:
    """A file of bytes that stands for weights."""
    weights = tmp_path / "own.safetensors"
    weights.write_bytes(b"own")
    return weights


def test_own_weights_bring_their_own_calibration(own_weights: Path) -> None:
    shipped = shipped_calibration()
    sha256 = hashlib.sha256(b"own").hexdigest()
    network = shipped.network.model_copy(update={"signs_temperature": 2.0})
    own = shipped.model_copy(update={"weights_sha256": sha256, "network": network})
    calibration_path(own_weights).write_text(calibration_toml(own), encoding="utf-8")
    settings = load_settings(weights=own_weights)
    assert settings.is_calibrated
    assert settings.calibration.network.signs_temperature == 2.0


def test_weights_without_a_calibration_use_the_shipped_one_only_if_that_is_allowed(own_weights: Path) -> None:
    with pytest.raises(CalibrationError, match="no calibration of its own"):
        load_settings(weights=own_weights)
    shipped, allowed = load_settings(), load_settings(weights=own_weights, allow_uncalibrated=True)
    assert shipped.is_calibrated
    assert not allowed.is_calibrated
    assert allowed.calibration == shipped.calibration
    # Its exams carry a flag more, so they are other results; the clips are read alike.
    assert settings_sha256(allowed) != settings_sha256(shipped)
    assert scan_settings_sha256(allowed) == scan_settings_sha256(shipped)


def test_a_settings_file_cannot_hold_a_calibration(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="key 'calibration': unknown key"):
        load_settings(write(tmp_path, "[calibration.network]\ntemperature = 1.0\n"))
