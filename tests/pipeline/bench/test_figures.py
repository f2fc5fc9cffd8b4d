"""Figures of results whose errors are known, because they were put there."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.bench.figures import measure
from pipeline.bench.table import figures_table
from pipeline.bench.truth import DataSetError, open_data_set

ROUND, FAR = [100.0, 100.0, 20.0, 20.0, 0.0], [300.0, 200.0, 25.0, 20.0, 30.0]


def annotation(
    image: int, category: int, ellipse: list[float], *, ignored: bool = False, score: float = 0.9
) -> dict[str, Any]:
    return {"image_id": image, "category_id": category, "ellipse": ellipse, "iscrowd": int(ignored), "score": score}


def write_truth(folder: Path, annotations: list[dict[str, Any]], *, crossed: int, carried: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    images = [{"id": n + 1, "animal": "AF-1", "clip": "left-1.mp4", "frame": n} for n in range(2)]
    (folder / "coco.json").write_text(json.dumps({"images": images, "annotations": annotations}))
    animal = {"date": "2026-05-03", "shelled_seen": crossed, "shelled_in_animal": carried}
    (folder / "animals.json").write_text(json.dumps({"AF-1": animal}))


def write_result(
    out: Path, annotations: list[dict[str, Any]], *, at_least: int, estimate: int, interval: list[int]
) -> None:
    folder = out / "AF-1" / "2026-05-03"
    folder.mkdir(parents=True)
    images = [{"id": n + 11, "clip": "left-1.mp4", "frame": n} for n in range(2)]
    (folder / "detections.coco.json").write_text(json.dumps({"images": images, "annotations": annotations}))
    shelled = {"at_least": at_least, "estimate": estimate, "interval90": interval}
    (folder / "result.json").write_text(json.dumps({"shelled": shelled}))


def test_hits_misses_false_alarms_and_wrong_stages_are_told_apart(tmp_path: Path) -> None:
    truth = [
        annotation(1, 3, ROUND),  # found
        annotation(1, 3, FAR),  # found, called thin-shelled
        annotation(2, 3, ROUND),  # missed
        annotation(2, 1, FAR, ignored=True),  # counts neither way
    ]
    found = [
        annotation(11, 3, [102.0, 100.0, 21.0, 20.0, 0.0]),
        annotation(11, 2, FAR),
        annotation(12, 1, FAR),  # on the ignored one
        annotation(12, 3, [500.0, 400.0, 20.0, 20.0, 0.0]),  # nothing there
        annotation(12, 3, [400.0, 100.0, 20.0, 20.0, 0.0], score=0.4),  # too faint to be counted
    ]
    write_truth(tmp_path / "set", truth, crossed=2, carried=3)
    write_result(tmp_path / "out", found, at_least=1, estimate=3, interval=[2, 4])
    figures = measure(open_data_set(tmp_path / "set"), tmp_path / "out")
    calcified = figures.stages["calcified"]
    assert (calcified.true, calcified.found) == (3, 2)
    assert calcified.recall == pytest.approx(1 / 3)
    assert calcified.precision == pytest.approx(1 / 2)
    assert (figures.shelled.recall, figures.shelled.precision) == (pytest.approx(2 / 3), pytest.approx(2 / 3))
    assert figures.stages["follicle"].found == 0
    assert figures.stages["follicle"].recall is None
    assert figures.stage_right == pytest.approx(1 / 2)
    assert figures.axis_error_px == pytest.approx(0.25)  # 0.5 and 0
    counts = figures.counts
    assert (counts.exact, counts.within_1, counts.bias) == (0.0, 1.0, 1.0)
    assert (counts.interval_holds, counts.interval_width_median) == (1.0, 2.0)
    assert (counts.at_least_above, counts.egg_free, counts.called_gravid) == (0, 0, 0)
    assert "0.333" in figures_table([figures])


def test_an_egg_free_animal_with_eggs_and_a_bound_above_the_truth_are_counted(tmp_path: Path) -> None:
    write_truth(tmp_path / "set", [], crossed=0, carried=0)
    write_result(tmp_path / "out", [], at_least=1, estimate=1, interval=[1, 2])
    counts = measure(open_data_set(tmp_path / "set"), tmp_path / "out").counts
    assert (counts.egg_free, counts.called_gravid, counts.at_least_above, counts.interval_holds) == (1, 1, 1, 0.0)


def test_an_animal_without_a_result_is_missing_and_not_right(tmp_path: Path) -> None:
    write_truth(tmp_path / "set", [annotation(1, 3, ROUND)], crossed=1, carried=1)
    counts = measure(open_data_set(tmp_path / "set"), tmp_path / "out").counts
    assert (counts.animals, counts.missing) == (0, 1)


def test_truth_may_lie_in_a_folder_of_its_own(tmp_path: Path) -> None:
    write_truth(tmp_path / "set" / "truth", [], crossed=0, carried=0)
    assert open_data_set(tmp_path / "set").exams == tmp_path / "set" / "exams"


@pytest.mark.parametrize("content", [None, "{", '{"images": [], "annotations": [{}]}'])
def test_a_folder_without_readable_truth_is_refused_by_name(tmp_path: Path, content: str | None) -> None:
    (tmp_path / "animals.json").write_text("{}")
    if content is not None:
        (tmp_path / "coco.json").write_text(content)
    with pytest.raises(DataSetError, match=str(tmp_path)):
        open_data_set(tmp_path)
