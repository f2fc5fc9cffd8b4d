"""The whole job with the shipped network, from simulated clips to metrics, through the command line."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from configs.reading import read_toml
from pipeline.calibration import network_calibration
from pipeline.calibration_tables import Calibration
from pipeline.cli import app
from synthetic.anatomy.animal import StageCounts
from synthetic.film.clips import write_subjects
from synthetic.film.subjects import PlannedClip, Subject

SUBJECTS = (
    Subject("AF-0001", "gopherus-polyphemus", StageCounts(calcified=5), (PlannedClip("left", 45),)),
    Subject("AF-0002", "trachemys-scripta", StageCounts(), (PlannedClip("right", 30),)),
)


def test_phantoms_are_filmed_read_counted_measured_and_learned_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    write_subjects(tmp_path / "phantoms", SUBJECTS, seed=12, progress=lambda done, total: None)
    command = ["bench", "accuracy", str(tmp_path / "phantoms"), "--out", str(tmp_path), "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", *command],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[1],
    )
    assert done.returncode == 0, done.stderr
    (metrics,) = json.loads(done.stdout)
    assert json.loads((tmp_path / "figures.json").read_text()) == [metrics]
    shelled, counts = metrics["detection"]["classes"]["shelled"], metrics["counting"]["counts"]
    assert shelled["true_objects"] >= 40
    assert shelled["recall"] > 0.8
    assert shelled["precision"] > 0.8
    assert (counts["animals"], counts["missing"], counts["egg_free"]) == (2, 0, 1)
    assert (counts["false_gravid"], counts["missed_gravid"], counts["lower_bound_violations"]) == (0, 0, 0)
    results = tmp_path / "1-phantoms"
    assert (results / "index.html").is_file()
    assert len(list(results.glob("AF-*/*/report.html"))) == 2
    # The path of the probe is known for phantoms, so it is exported and measured.
    assert metrics["probe_path"]["clips"] > 0
    # The calibration rests on the same results: no clip is read again.
    monkeypatch.setattr(network_calibration, "_FIT", replace(network_calibration._FIT, min_eggs_per_stage=0))
    out = tmp_path / "own.calibration.toml"
    assert app.main(["calibrate", str(tmp_path / "phantoms"), "--results", str(tmp_path), "--out", str(out)]) == 0
    output = capsys.readouterr().err
    assert "[1/2]" not in output, "an exam was looked at again"
    learned = read_toml(out, Calibration)
    assert learned.network.eggs > 0
    assert learned.counts.animals == 2
    assert learned.counts.shelled.detection_rate.intercept > 0
