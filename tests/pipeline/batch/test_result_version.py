"""Two version numbers are raised by hand when results change. These tests fail if that was forgotten.

``RESULT_VERSION`` decides whether an exam is written again, the scan format whether a clip is read again. Each is kept
here with a digest of what it stands for, made from a small fixed input. A digest is the same on every machine: numbers
are rounded to three digits, and what depends on libraries (JPEG pictures, PDF, Parquet) is left out.

Each key is a version and the settings it was recorded with, since other settings give other results in any version.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import re
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from pipeline.batch.result_version import RESULT_VERSION
from pipeline.batch.run import run_batch
from pipeline.exams.exam_search import find_exams
from pipeline.scan.clip_scan import scan_clip
from pipeline.scan.serialization import FORMAT
from pipeline.settings import load_settings, scan_settings_sha256, settings_sha256
from pipeline.store.store import Store
from tests.pipeline.blob_finder import BlobFinder, film

RESULT_DIGESTS = {
    "version 32, settings 8065343f4d73": "28aaea872107",
    "version 33, settings a693a46bab8e": "ab91676b98bd",
    "version 34, settings 0a1c085104fe": "15db17e9fcea",
}
SCAN_DIGESTS = {
    "clutchlight/scan/20, settings 6475b2200414": "2f9079255463",
    "clutchlight/scan/20, settings 26c2a4e18f21": "2f9079255463",
}

SETTINGS = load_settings()
LONG_AGO = 1.7e9  # so that the files do not look as if they were still being copied
LIBRARY_FILES = (".pdf", ".parquet", ".jpg")


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two exams of one animal, as lossless stills: a video encoder might give other pixels on another machine."""
    root = tmp_path_factory.mktemp("root")
    for date, clips in (("2026-05-14", {"left-1": 3, "right-1": 2}), ("2026-05-18", {"left-1": 1})):
        exam = root / "AF-0001" / date
        for seed, (name, eggs) in enumerate(clips.items()):
            (exam / name).mkdir(parents=True)
            for number, picture in enumerate(film(eggs, frames=30, seed=seed)):
                Image.fromarray(picture).save(exam / name / f"{number:02}.png")
        tables = [f'[[clip]]\nfile = "{name}"\nmm_per_px = 0.5\n' for name in clips]
        (exam / "exam.toml").write_text('species = "Testudo hermanni"\ncarapace_width_mm = 118\n' + "".join(tables))
    for path in root.rglob("*"):
        os.utime(path, (LONG_AGO, LONG_AGO))
    return root


def rounded_number(number: float) -> str:
    """
    >>> rounded_number(12.3456), rounded_number(-0.00001234), rounded_number(-0.0)
    ('12.3', '-1.23e-05', '0')
    """
    return f"{number + 0.0:.3g}"


def rounded_text(text: str) -> str:
    """A file's text without pictures and SHA-256 digests, its decimal fractions rounded."""
    text = re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "JPEG", text)
    text = re.sub(r"\b[0-9a-f]{64}\b", "SHA-256", text)
    return re.sub(r"-?\d+\.\d+(e[-+]?\d+)?", lambda found: rounded_number(float(found[0])), text)


def rounded_values(value: Any) -> Iterator[str]:
    """All values inside a dataclass, in order and without names, so that a renamed field changes nothing."""
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from rounded_values(getattr(value, field.name))
    elif isinstance(value, dict):
        for key, each in sorted(value.items()):
            yield str(key)
            yield from rounded_values(each)
    elif isinstance(value, (list, tuple, np.ndarray)):
        yield f"{len(value)} values"
        for each in value:
            yield from rounded_values(each)
    elif isinstance(value, (float, np.floating)):
        yield rounded_number(float(value))
    elif not isinstance(value, bytes):  # JPEG pictures
        yield str(value.value if isinstance(value, Enum) else value)


def digest(lines: Iterator[str]) -> str:
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def assert_recorded(digests: dict[str, str], key: str, actual: str, *, name: str, place: str) -> None:
    assert key in digests, (
        f"{name} or the settings changed, and no digest is recorded for them. Add this line to the digests in this "
        f'test:\n    "{key}": "{actual}",'
    )
    assert digests[key] == actual, (
        f"The results changed, but {name} did not. If the change is intended, raise the number in {name} in {place} by "
        f'one, and add a line with the new number and the digest "{actual}" to this test. Do not change the line of a '
        "number that people already use: their stored results would be taken for current ones."
    )


def test_result_version_goes_up_when_results_change(root: Path, tmp_path: Path) -> None:
    run_batch(root, tmp_path, SETTINGS, BlobFinder)

    def lines() -> Iterator[str]:
        for path in sorted(tmp_path.glob("AF-0001/*/*")):
            if path.suffix not in LIBRARY_FILES:
                yield str(path.relative_to(tmp_path))
                yield rounded_text(path.read_text(encoding="utf-8"))
        with Store(tmp_path) as store:
            for exam in store.exams():
                yield rounded_text(exam.summary_json.replace(str(root), ""))

    key = f"version {RESULT_VERSION}, settings {settings_sha256(SETTINGS)[:12]}"
    assert_recorded(
        RESULT_DIGESTS, key, digest(lines()), name="RESULT_VERSION", place="pipeline/batch/result_version.py"
    )


def test_scan_format_goes_up_when_scans_change(root: Path) -> None:
    clips = [clip for exam in find_exams(root).exams for clip in exam.clips]
    scans = [scan_clip(clip, "", BlobFinder(), SETTINGS, lambda frames: None) for clip in clips]
    assert [(scan.status, len(scan.used_frames)) for scan in scans] == [("done", 30)] * 3
    assert all(scan.tracks.tracks for scan in scans)
    key = f"{FORMAT}, settings {scan_settings_sha256(SETTINGS)[:12]}"
    actual = digest(line for scan in scans for line in rounded_values(scan))
    assert_recorded(SCAN_DIGESTS, key, actual, name="FORMAT", place="pipeline/scan/serialization.py")
