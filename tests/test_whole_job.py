"""The whole job with the shipped network, from phantoms filmed to figures, through the installed command."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.calibration.__main__ import main as learn_counting
from pipeline.settings import load_settings
from synthetic.anatomy.animal import StageCounts
from synthetic.film.clips import Subject, write_subjects

SUBJECTS = (
    Subject("AF-0001", "gopherus-polyphemus", StageCounts(calcified=5), windows=("left",), frames=45),
    Subject("AF-0002", "trachemys-scripta", StageCounts(), windows=("right",), frames=30),
)


def test_phantoms_are_filmed_read_counted_and_measured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_subjects(tmp_path / "phantoms", SUBJECTS, seed=11, progress=lambda done, total: None)
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pipeline",
            "bench",
            "accuracy",
            str(tmp_path / "phantoms"),
            "--out",
            str(tmp_path),
            "--json",
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[1],
    )
    assert done.returncode == 0, done.stderr
    (figures,) = json.loads(done.stdout)
    assert json.loads((tmp_path / "figures.json").read_text()) == [figures]
    shelled, counts = figures["detection"]["classes"]["shelled"], figures["counting"]["counts"]
    assert shelled["true_objects"] > 40
    assert shelled["recall"] > 0.8
    assert shelled["precision"] > 0.8
    assert (counts["animals"], counts["missing"], counts["egg_free"]) == (2, 0, 1)
    assert (counts["false_gravid"], counts["missed_gravid"], counts["lower_bound_violations"]) == (0, 0, 0)
    results = tmp_path / "1-phantoms"
    assert (results / "index.html").is_file()
    assert len(list(results.glob("AF-*/*/report.html"))) == 2
    # Where the hand was is known of phantoms, and so it is asked for.
    assert figures["probe_path"]["clips"] > 0
    # What is learned of counting rests on the same results: no clip is read again.
    assert (
        learn_counting([str(tmp_path / "phantoms"), "--out", str(tmp_path), "--write", str(tmp_path / "own.toml")]) == 0
    )
    told = capsys.readouterr().err
    assert told.count("unchanged") == 2, told
    assert load_settings(tmp_path / "own.toml").counting.shelled.finding.base > 0
