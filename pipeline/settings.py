"""Settings of a run: the shipped ``configs/settings.toml``, under the user's own file."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from configs.reading import config_path, read_toml
from models.weights_file import shipped_weights
from pipeline.calibration_file import CalibrationError, load_calibration, shipped_calibration
from pipeline.calibration_tables import Calibration
from pipeline.settings_tables import SettingsTables

__all__ = ["Settings", "load_settings", "scan_settings_sha256", "settings_sha256"]


class Settings(SettingsTables):
    """The settings of a run, and the calibration of the network in use.

    is_calibrated : whether ``calibration`` was learned for that network; if not, it is the shipped one
    """

    calibration: Calibration
    is_calibrated: bool

    def with_calibration(self, calibration: Calibration) -> Settings:
        """The same with a calibration that was learned for the network in use."""
        return self.model_copy(update={"calibration": calibration, "is_calibrated": True})

    def with_network_rate(self, frames_per_second: float) -> Settings:
        """The same with so many frames of each second for the network; 0: all."""
        detect = self.detect.model_copy(update={"network_frames_per_second": frames_per_second})
        return self.model_copy(update={"detect": detect})

    def with_threads(self, threads: int) -> Settings:
        """The same with so many threads for the network's engine."""
        return self.model_copy(update={"run": self.run.model_copy(update={"threads": threads})})


def load_settings(
    path: Path | None = None, *, weights: Path | None = None, allow_uncalibrated: bool = False
) -> Settings:
    """Read the settings: the shipped ones, under the user's own file, with the calibration of a network.

    Parameters
    ----------
    path
        A TOML file with some or all keys of ``configs/settings.toml``; None for the shipped settings.
    weights
        The network in use, None for the shipped one. Its calibration is next to it.
    allow_uncalibrated
        Whether the shipped calibration may be used for a network that has none of its own.

    Returns
    -------
    Settings
        Validated and frozen, one attribute for each table of ``configs/settings.toml``.

    Raises
    ------
    ConfigError
        If the file cannot be read, or has an unknown key or a wrong value. The text names file, line and key of every
        problem.
    CalibrationError
        If the network has no calibration of its own and ``allow_uncalibrated`` is False.
    WeightsError
        If the weights file cannot be read.

    Examples
    --------
    >>> load_settings().detect.batch_frames > 0
    True
    """
    tables = read_toml(config_path("settings.toml"), SettingsTables)
    if path is not None:
        tables = read_toml(path, SettingsTables, defaults=tables.model_dump(mode="json"))
    is_calibrated = True
    try:
        calibration = load_calibration(weights or shipped_weights())
    except CalibrationError:
        if not allow_uncalibrated:
            raise
        calibration, is_calibrated = shipped_calibration(), False
    return Settings(**dict(tables), calibration=calibration, is_calibrated=is_calibrated)


def settings_sha256(settings: Settings) -> str:
    """SHA-256 of the settings and the calibration that results depend on; equal values have equal hashes.

    The tables ``run``, ``cluster``, ``night``, ``backups``, ``tidy`` and ``pages`` are left out, as they change no
    result.
    """
    return _sha256(settings.model_dump(mode="json", exclude={"run", "cluster", "night", "backups", "tidy", "pages"}))


def scan_settings_sha256(settings: Settings) -> str:
    """SHA-256 of the settings that the scan of a clip depends on; if only others change, no clip is read again."""
    return _sha256(settings.model_dump(mode="json", include={"ingest", "detect", "track"}))


def _sha256(content: dict[str, Any]) -> str:
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(canonical.encode()).hexdigest()
