"""Files appear under their name only when they are complete."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.atomic_write import partial_file


def test_the_file_has_its_name_once_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "whole.txt"
    with partial_file(path) as part:
        part.write_text("new")
        assert not path.exists()
    assert path.read_text() == "new"
    assert [each.name for each in tmp_path.iterdir()] == ["whole.txt"]


def test_an_earlier_file_stays_if_writing_fails(tmp_path: Path) -> None:
    path = tmp_path / "whole.txt"
    path.write_text("old")

    def write_half() -> None:
        with partial_file(path) as part:
            part.write_text("half")
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        write_half()
    assert path.read_text() == "old"
