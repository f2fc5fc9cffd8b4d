from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.strata import DEPTH_RANGES_MM, VISIBILITY_RANGES, in_range, object_strata
from tests.pipeline.bench.data_set_files import object_annotation, write_truth

ROUND = [100.0, 100.0, 20.0, 20.0, 0.0]


@pytest.mark.parametrize(
    ("visible", "strata"),
    [
        (0.3, {"below half"}),
        (0.5, {"at least half", "half to 3/4"}),
        (0.75, {"at least half", "3/4 and more"}),
        (1.0, {"at least half", "3/4 and more"}),
    ],
)
def test_each_range_contains_its_lower_limit_and_not_its_upper(
    tmp_path: Path, visible: float, strata: set[str]
) -> None:
    write_truth(tmp_path, [object_annotation(1, 3, ROUND, visible=visible)])
    (kind,) = object_strata(open_data_set(tmp_path).objects)
    assert {name for name, limits in kind.ranges.items() if in_range(kind.value, limits).all()} == strata


def test_depth_ranges_have_no_gaps() -> None:
    ends = [end for limits in DEPTH_RANGES_MM.values() for end in limits]
    assert ends[1:-1:2] == ends[2::2]
    assert VISIBILITY_RANGES["at least half"][0] == VISIBILITY_RANGES["below half"][1]
