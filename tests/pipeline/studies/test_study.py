"""A study trains what is missing, goes on where it was stopped, and shows all variants side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from configs.reading import ConfigError
from pipeline.cli.exit_codes import ExitCode
from pipeline.studies.definition import StudyRun, open_study, study_names
from pipeline.studies.run_study import FIGURES, run_study
from pipeline.studies.study_sections import study_table
from synthetic.training import training_run
from tests.pipeline.conftest import Clutchlight

BASE = """\
seed = 1
steps = 2
batch = 2
batches_per_render = 1
animals = 2
processes = 1
widths = [8, 8, 12, 12, 16]
blocks = [1, 1, 1, 1, 1]
learning_rate = 0.001
warm_up_steps = 1
weight_decay = 0.01
ema_decay = 0.9
l1_weight = 4.0
overlap_weight = 2.0
object_balance = 0.5
report_every_steps = 1
held_out_every_steps = 2
held_out_seed = 7
held_out_animals = 2
held_out_pictures = 2
"""
STUDY = """\
title = "Tiny"
question = "Does it run?"
base = "base.toml"
seeds = [1, 2]
settings = { side_px = 64 }

[[variant]]
name = "one frame"
settings = {}

[[variant]]
name = "three frames, no shadow"
settings = { frames = 3, left_out = ["shadow"] }
"""


@pytest.fixture
def definition(tmp_path: Path) -> Path:
    (tmp_path / "base.toml").write_text(BASE)
    (tmp_path / "tiny.toml").write_text(STUDY)
    return tmp_path / "tiny.toml"


def test_runs_have_the_settings_of_study_and_variant(definition: Path) -> None:
    study = open_study(str(definition))
    assert [run.name for run in study.runs] == [
        "one-frame-seed-1",
        "one-frame-seed-2",
        "three-frames-no-shadow-seed-1",
        "three-frames-no-shadow-seed-2",
    ]
    last = study.runs[-1].settings
    assert (last.seed, last.side_px, last.frames, last.left_out, last.steps) == (2, 64, 3, ("shadow",), 2)


@pytest.mark.parametrize("name", study_names())
def test_shipped_studies_fit_into_half_an_hour_of_a_gpu(name: str) -> None:
    study = open_study(name)
    assert 3 < study.gpu_minutes < 30
    assert len({run.name for run in study.runs}) == len(study.runs)
    assert {run.settings.held_out_seed for run in study.runs}.isdisjoint(run.settings.seed for run in study.runs)
    settings = {run.settings.model_dump_json(exclude={"seed"}) for run in study.runs}
    assert len(settings) == len(study.definition.variant)


def test_mistakes_are_named(definition: Path) -> None:
    with pytest.raises(ConfigError, match=r"no study 'fast'\. Choose frames,"):
        open_study("fast")
    for text, problem in (
        (STUDY.replace("side_px = 64", "side_px = 65"), "side_px: .*multiple of 32"),
        (STUDY.replace("side_px = 64", "size = 64"), "size: Extra inputs"),
        (STUDY.replace('"shadow"', '"light"'), "left_out.0"),
        (STUDY.replace("three frames, no shadow", "one frame"), "same name"),
    ):
        definition.write_text(text)
        with pytest.raises(ConfigError, match=problem):
            open_study(str(definition))


class StoppedError(Exception):
    """Stops a study in the middle."""


def test_a_stopped_study_goes_on_with_what_is_missing(definition: Path, tmp_path: Path) -> None:
    study, trained, stop_at = open_study(str(definition)), list[str](), 2

    def train(run: StudyRun, weights: Path) -> Mapping[str, Any]:
        if len(trained) == stop_at:
            raise StoppedError
        trained.append(run.name)
        weights.write_bytes(run.name.encode())
        value = 0.5 + 0.1 * run.seed if run.variant == "one frame" else float("nan")
        return dict.fromkeys(FIGURES, value)

    with pytest.raises(StoppedError):
        run_study(study, tmp_path / "out", train)
    stop_at = 4
    results = run_study(study, tmp_path / "out", train)
    assert trained == [run.name for run in study.runs]
    assert [each.figures["ap_shelled"] for each in results] == [0.6, 0.7, None, None]
    table = study_table(study, results).splitlines()
    assert "0.650 (0.600 to 0.700)" in table[2]
    assert table[3].split()[-1] == "-"
    definition.write_text(STUDY.replace("seeds = [1, 2]", "seeds = [1, 3]"))
    stop_at = 9
    run_study(open_study(str(definition)), tmp_path / "out", train)
    assert trained[4:] == ["one-frame-seed-3", "three-frames-no-shadow-seed-3"]


def test_the_command_trains_measures_and_writes_a_report(
    clutchlight: Clutchlight, definition: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(training_run, "_INTERIM_PICTURES", 2)
    definition.write_text(STUDY.replace("seeds = [1, 2]", "seeds = [1]"))
    out = tmp_path / "out"
    done = clutchlight("bench", "study", definition, "--out", out)
    assert done.code == ExitCode.DONE, done.stderr
    assert "[2/2] three frames, no shadow, seed 1" in done.stderr
    document = json.loads((out / "study.json").read_text())
    assert [each["variant"] for each in document["results"]] == ["one frame", "three frames, no shadow"]
    assert {path.suffix for path in out.iterdir()} == {".json", ".safetensors", ".csv", ".html"}
    assert "Does it run?" in (out / "report.html").read_text()
    assert json.loads((out / "manifest.json").read_text())["seeds"] == {
        "one-frame-seed-1": 1,
        "three-frames-no-shadow-seed-1": 1,
    }
    again = clutchlight("bench", "study", definition, "--out", out)
    assert (again.code, "[1/2]" in again.stderr) == (ExitCode.DONE, False)


def test_studies_are_listed_with_what_they_need(clutchlight: Clutchlight) -> None:
    listed = clutchlight("bench", "study").stdout.splitlines()
    assert [line.split()[0] for line in listed] == study_names()
    assert all("minutes of one GPU" in line for line in listed)
