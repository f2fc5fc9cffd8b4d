from __future__ import annotations

from pathlib import Path

from pipeline.bench.input_files.hostile_media import HOSTILE_KINDS, hostile_files, try_hostile_media
from pipeline.settings import load_settings

SETTINGS = load_settings()
KINDS = len(HOSTILE_KINDS)


def test_files_of_every_kind_depend_on_the_seed_and_their_number_alone() -> None:
    first = list(hostile_files(KINDS, 5))
    assert [file.kind for file in first] == list(HOSTILE_KINDS)
    again = {file.kind: file.content for file in hostile_files(KINDS, 5)}
    other = {file.kind: file.content for file in hostile_files(KINDS, 6)}
    for file in first:
        if not file.kind.startswith("video"):  # a Matroska file has a random identity
            assert file.content == again[file.kind]
        assert file.content != other[file.kind]
        assert len(file.content) < 3_000_000


def test_hostile_files_do_no_harm(tmp_path: Path) -> None:
    """With smaller limits, so that it is quick."""
    limited = SETTINGS.ingest.model_copy(update={"maximum_gigapixels": 0.1})
    report = try_hostile_media(tmp_path, KINDS, 5, SETTINGS.model_copy(update={"ingest": limited}))
    assert report.failures == (), report.table()
    assert set(report.outcomes) == set(HOSTILE_KINDS)
    for kind in ("DICOM, hidden size", "DICOM, other size", "DICOM, no size", "DICOM, two sizes", "GIF, frames"):
        assert report.outcomes[kind] == {"refused": 1}
    assert report.peak_memory_mib < 1536
