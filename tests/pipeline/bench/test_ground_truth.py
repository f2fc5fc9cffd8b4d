from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from models.stages import STAGES
from pipeline.bench.ground_truth import DataSetError, open_data_set
from tests.pipeline.bench.data_set_files import object_annotation, write_truth

ROUND = [100.0, 100.0, 20.0, 20.0, 0.0]


def test_ground_truth_may_be_in_a_subfolder(tmp_path: Path) -> None:
    write_truth(tmp_path / "set" / "truth", [])
    assert open_data_set(tmp_path / "set").exams_root == tmp_path / "set" / "exams"


def test_missing_values_are_unknown(tmp_path: Path) -> None:
    write_truth(
        tmp_path,
        [object_annotation(1, 3, ROUND, visible=0.5), object_annotation(2, 2, ROUND, depth_mm=41.0)],
        animals=("AF-1", "AF-2"),
    )
    data_set = open_data_set(tmp_path)
    np.testing.assert_array_equal(data_set.objects.visible_share, [0.5, np.nan])
    np.testing.assert_array_equal(data_set.objects.depth_mm, [np.nan, 41.0])
    assert np.isnan(data_set.frames.mm_per_px).all()
    assert set(data_set.frames.species) == {"unknown"}
    assert data_set.frames.ids[3] == ("AF-2", "left-1.mp4", 1)
    assert data_set.objects.frame.tolist() == [0, 1]
    assert [STAGES[stage] for stage in data_set.objects.stage] == ["calcified", "thin-shelled"]


def test_missing_boxes_and_areas_follow_from_the_ellipse(tmp_path: Path) -> None:
    bare = {key: value for key, value in object_annotation(1, 3, ROUND).items() if key not in ("bbox", "area")}
    write_truth(tmp_path, [bare])
    objects = open_data_set(tmp_path).objects
    np.testing.assert_allclose(objects.boxes, [[80.0, 80.0, 40.0, 40.0]])
    np.testing.assert_allclose(objects.areas, [np.pi * 400])


@pytest.mark.parametrize(
    "content",
    [None, "{", '{"images": [], "annotations": [{}]}', '{"images": [{"animal": "AF-9"}], "annotations": []}', "[]"],
)
def test_a_folder_without_readable_truth_is_refused_by_name(tmp_path: Path, content: str | None) -> None:
    (tmp_path / "animals.json").write_text(json.dumps({}))
    if content is not None:
        (tmp_path / "coco.json").write_text(content)
    with pytest.raises(DataSetError, match=str(tmp_path)):
        open_data_set(tmp_path)
