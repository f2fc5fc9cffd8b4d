from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest

from pipeline.bench.data_set_metrics import read_matched_eggs
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.matched_eggs import MatchedEgg
from pipeline.bench.metrics_plots import metrics_svg
from pipeline.bench.metrics_table import metrics_table
from tests.pipeline.bench.data_set_files import (
    detection_annotation,
    measure_results,
    object_annotation,
    write_result,
    write_truth,
)
from tests.pipeline.bench.matched_egg_examples import reported_egg

EGG, FOLLICLE = [100.0, 100.0, 40.0, 25.0, 0.0], [300.0, 200.0, 45.0, 30.0, 30.0]
FRAMES = 6


def write(folder: Path, eggs: list[dict[str, Any]]) -> None:
    """Two objects in six frames: a calcified egg, number 5, and a follicle, number 9. Both are listed and match their
    object in at least three frames. In one frame the outline of the follicle belongs to the egg.
    """
    truth = [object_annotation(k, 3, EGG, track=5) for k in range(1, FRAMES + 1)]
    truth += [object_annotation(k, 1, FOLLICLE, track=9) for k in range(1, FRAMES + 1)]
    found = [detection_annotation(k, 3, EGG, track=1, egg=1) for k in range(1, FRAMES + 1)]
    found += [
        detection_annotation(k, 3 if k == 1 else 1, FOLLICLE, track=2, egg=1 if k == 1 else 2)
        for k in range(1, FRAMES + 1)
    ]
    write_truth(folder / "truth", truth, frames=FRAMES)
    write_result(folder / "out", found, frames=FRAMES)
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


def read_matches(folder: Path) -> list[MatchedEgg]:
    return read_matched_eggs(open_data_set(folder / "truth"), folder / "out")


def test_an_egg_matches_the_object_on_which_most_of_its_outlines_lie(folder: Path) -> None:
    egg, follicle = read_matches(folder)
    assert (egg.stage, egg.length_mm, egg.width_mm) == (2, 34.0, 21.0)
    assert (follicle.stage, follicle.length_mm) == (0, None)
    assert egg.widest_section_mm == pytest.approx(2 * 25 * 0.4)
    assert [len(each.found_ellipses) for each in egg.sections] == [FRAMES]
    assert [len(each.found_ellipses) for each in follicle.sections] == [FRAMES - 1]


def test_an_egg_on_no_object_has_no_match(folder: Path) -> None:
    (result,) = (folder / "out").rglob("result.json")
    document = json.loads(result.read_text())
    document["eggs"].append(reported_egg(2, [0, 0, 1.0]) | {"id": 3})
    result.write_text(json.dumps(document))
    assert len(read_matches(folder)) == 2


def test_the_table_and_the_plot_contain_stages_and_sizes(folder: Path) -> None:
    metrics = measure_results(open_data_set(folder / "truth"), folder / "out")
    table = metrics_table([metrics])
    assert "stages of 2 matched eggs: macro-F1 0.333, kappa 0.000" in table
    assert "expected calibration error 0.375; network alone" in table
    assert "right 50.0% (follicle 0 of 1, calcified 1 of 1); highest probability stated for a wrong one 0.700" in table
    assert "sizes of 1 shelled eggs crossed near their middle, median absolute error:\n    length 0.00 mm" in table
    drawing = ElementTree.fromstring(metrics_svg(metrics))
    texts = [text.text for text in drawing.iter("{http://www.w3.org/2000/svg}text")]
    assert "share of eggs with that stage; calibration error 0.375" in texts
    assert len(list(drawing.iter("{http://www.w3.org/2000/svg}circle"))) == 2
