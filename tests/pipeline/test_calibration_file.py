from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from configs import ConfigError
from models.weights_file import WeightsError, shipped_weights, weights_sha256
from pipeline.calibration_file import (
    CalibrationError,
    calibration_path,
    calibration_toml,
    load_calibration,
    shipped_calibration,
)
from pipeline.calibration_tables import Calibration

SHIPPED = shipped_calibration()


def write_weights(folder: Path, calibration: Calibration | None) -> Path:
    """A file of bytes that stands for weights, with a calibration next to it."""
    weights = folder / "own.safetensors"
    weights.write_bytes(b"some weights")
    if calibration is not None:
        calibration_path(weights).write_text(calibration_toml(calibration), encoding="utf-8")
    return weights


def test_the_shipped_calibration_was_learned_for_the_shipped_weights() -> None:
    assert SHIPPED.weights_sha256 == weights_sha256(shipped_weights())
    assert load_calibration(shipped_weights()) == SHIPPED


def test_the_shipped_file_reads_as_the_command_would_write_it() -> None:
    lines = calibration_path(shipped_weights()).read_text(encoding="utf-8").splitlines(keepends=True)
    assert "".join(line for line in lines if "--engine cuda" not in line) == calibration_toml(SHIPPED)


def test_a_calibration_is_read_from_next_to_its_weights(tmp_path: Path) -> None:
    own = SHIPPED.model_copy(
        update={"weights_sha256": hashlib.sha256(b"some weights").hexdigest(), "command": 'say "x" \\ y'}
    )
    weights = write_weights(tmp_path, own)
    assert calibration_path(weights) == tmp_path / "own.calibration.toml"
    assert load_calibration(weights) == own


def test_weights_without_a_calibration_are_refused_with_the_command_that_learns_one(tmp_path: Path) -> None:
    weights = write_weights(tmp_path, None)
    with pytest.raises(CalibrationError, match=r"own\.calibration\.toml is missing") as caught:
        load_calibration(weights)
    assert f"clutchlight calibrate DATASET --weights {weights} --results DIR --out {calibration_path(weights)}" in str(
        caught.value
    )
    assert "--allow-uncalibrated" in str(caught.value)


def test_a_calibration_learned_for_other_weights_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match=r"own\.calibration\.toml was learned for other weights"):
        load_calibration(write_weights(tmp_path, SHIPPED))


def test_a_damaged_calibration_is_an_error_that_names_the_key(tmp_path: Path) -> None:
    weights = write_weights(tmp_path, None)
    text = calibration_toml(SHIPPED).replace("signs_temperature = ", "signs_temperature = -", 1)
    calibration_path(weights).write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"key 'network\.signs_temperature'"):
        load_calibration(weights)


def test_missing_weights_are_named(tmp_path: Path) -> None:
    with pytest.raises(WeightsError, match=r"No weights file at .*gone\.safetensors"):
        load_calibration(tmp_path / "gone.safetensors")
