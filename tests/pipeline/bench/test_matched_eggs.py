from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest

from pipeline.bench.data_set_metrics import measure_data_set, read_matched_eggs
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.matched_eggs import MatchedEgg
from pipeline.bench.metrics_plots import metrics_svg
from pipeline.bench.metrics_table import metrics_table
from tests.pipeline.bench.data_set_files import detection_annotation, object_annotation, write_result, write_truth
from tests.pipeline.bench.matched_egg_examples import reported_egg

HERE, THERE = [100.0, 100.0, 40.0, 25.0, 0.0], [300.0, 200.0, 45.0, 30.0, 30.0]
FRAMES = 6


def write(folder: Path, eggs: list[dict[str, Any]]) -> None:
    """Two objects in six frames: a calcified egg, number 5, and a follicle, 9. Both listed, of either three frames at
    least on the right object; once the follicle's outline was taken for part of the egg.
    """
    truth = [object_annotation(k, 3, HERE, track=5) for k in range(1, FRAMES + 1)]
    truth += [object_annotation(k, 1, THERE, track=9) for k in range(1, FRAMES + 1)]
    seen = [detection_annotation(k, 3, HERE, track=1, egg=1) for k in range(1, FRAMES + 1)]
    seen += [
        detection_annotation(k, 3 if k == 1 else 1, THERE, track=2, egg=1 if k == 1 else 2)
        for k in range(1, FRAMES + 1)
    ]
    write_truth(folder / "truth", truth, frames=FRAMES)
    write_result(folder / "out", seen, frames=FRAMES)
    animals = json.loads((folder / "truth" / "animals.json").read_text())
    (animal,) = animals.values()
    animal["objects"] = [{"id": 5, "stage": "calcified", "axes_mm": [34.0, 22.0, 20.0], "seen": True}]
    for clip in animal["clips"].values():
        clip["mm_per_px"] = 0.4
    (folder / "truth" / "animals.json").write_text(json.dumps(animals))
    (result,) = (folder / "out").rglob("result.json")
    document = json.loads(result.read_text())
    document["eggs"] = eggs
    result.write_text(json.dumps(document))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write(tmp_path, [reported_egg(2, [0.02, 0.03, 0.95]) | {"id": 1}, reported_egg(2, [0.2, 0.1, 0.7]) | {"id": 2}])
    return tmp_path


def seen(folder: Path) -> list[MatchedEgg]:
    return read_matched_eggs(open_data_set(folder / "truth"), folder / "out")


def test_an_egg_is_the_object_that_most_of_its_outlines_lie_on(folder: Path) -> None:
    egg, follicle = seen(folder)
    assert (egg.stage, egg.length_mm, egg.width_mm) == (2, 34.0, 21.0)
    assert (follicle.stage, follicle.length_mm) == (0, None)
    assert egg.widest_section_mm == pytest.approx(2 * 25 * 0.4)
    assert [len(each.found_ellipses) for each in egg.sections] == [FRAMES]
    assert [len(each.found_ellipses) for each in follicle.sections] == [FRAMES - 1]


def test_an_egg_on_nothing_is_none(folder: Path) -> None:
    (result,) = (folder / "out").rglob("result.json")
    document = json.loads(result.read_text())
    document["eggs"].append(reported_egg(2, [0, 0, 1.0]) | {"id": 3})
    result.write_text(json.dumps(document))
    assert len(seen(folder)) == 2


def test_stages_and_sizes_stand_in_the_table_and_the_plot(folder: Path) -> None:
    figures = measure_data_set(open_data_set(folder / "truth"), folder / "out")
    table = metrics_table([figures])
    assert "stages of 2 listed eggs that are there: macro-F1 0.333, kappa 0.000" in table
    assert "expected calibration error 0.375; the network alone" in table
    assert "sizes of 1 shelled eggs crossed near their middle, median absolute error: length 0.00 mm" in table
    drawing = ElementTree.fromstring(metrics_svg(figures))
    words = [text.text for text in drawing.iter("{http://www.w3.org/2000/svg}text")]
    assert "share of eggs that are of it; calibration error 0.375" in words
    assert len(list(drawing.iter("{http://www.w3.org/2000/svg}circle"))) == 2
