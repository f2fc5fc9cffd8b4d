from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np

from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.metrics_plots import metrics_svg
from tests.pipeline.bench.data_set_files import (
    detection_annotation,
    measure_results,
    object_annotation,
    write_result,
    write_truth,
)

ROUND, FAR = [100.0, 100.0, 20.0, 20.0, 0.0], [300.0, 200.0, 25.0, 20.0, 30.0]
SVG = "{http://www.w3.org/2000/svg}"


def test_the_curve_ends_at_the_highest_recall(tmp_path: Path) -> None:
    # Right, wrong, right, and one object that is never found: recall ends at two thirds.
    truth = [object_annotation(1, 3, ROUND), object_annotation(2, 3, ROUND), object_annotation(2, 3, FAR)]
    found = [
        detection_annotation(1, 3, ROUND),
        detection_annotation(1, 3, FAR, score=0.8),
        detection_annotation(2, 3, ROUND, score=0.7),
    ]
    write_truth(tmp_path / "eggs & more", truth)
    write_result(tmp_path / "out", found)
    metrics = measure_results(open_data_set(tmp_path / "eggs & more"), tmp_path / "out")
    drawing = ElementTree.fromstring(metrics_svg(metrics))
    lines = drawing.findall(f".//{SVG}polyline")
    assert (
        len(lines) == 4
    )  # shelled and calcified, the other classes have no objects; risk in perfect order and in ours
    points = np.array([point.split(",") for point in lines[0].attrib["points"].split()], dtype=float)
    assert points[0].tolist() == [0.0, 0.0]  # recall 0, precision 1
    np.testing.assert_allclose(points[-1], [320 * 0.66, 320 * (1 - 2 / 3)], atol=0.06)
    texts = [text.text for text in drawing.findall(f".//{SVG}text")]
    assert "eggs & more: 2 frames" in texts
    assert f"calcified, AP50 {metrics.detection.classes['calcified'].ap50:.3f}" in texts
    cells = drawing.findall(f".//{SVG}rect")[1:]
    assert len(cells) == 15
    assert texts.count("2") == 1  # calcified detected as calcified
