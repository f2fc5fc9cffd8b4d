"""Phantoms on disk for other programs to read."""

from __future__ import annotations

from pathlib import Path

import pytest

from synthetic.anatomy.animal import StageCounts
from synthetic.film.clips import write_subjects
from synthetic.film.subjects import PlannedClip, Subject


@pytest.fixture(scope="session")
def phantom_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One animal with shells and follicles, filmed for seven frames through the left window."""
    root = tmp_path_factory.mktemp("phantoms")
    counts = StageCounts(calcified=9, follicles=5)
    subject = Subject("AF-0001", "trachemys-scripta", counts, (PlannedClip("left", 7),))
    write_subjects(root, [subject], seed=8, progress=lambda done, total: None, processes=1)
    return root
