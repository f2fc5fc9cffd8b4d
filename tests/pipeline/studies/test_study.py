"""A study trains what is missing, goes on where it was stopped, and shows all variants side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from configs.reading import ConfigError
from models.weights_file import NetworkConfig, shipped_weights
from pipeline.cli.exit_codes import ExitCode
from pipeline.studies.definition import StudyRun, open_study, study_names
from pipeline.studies.network_cost import NetworkCost, network_costs, network_size
from pipeline.studies.run_study import FIGURES, Trainer, run_study
from pipeline.studies.study_sections import study_table
from synthetic.training import training_run
from synthetic.training.training_run import select_settings
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


def test_the_size_of_the_network_is_what_its_study_varies() -> None:
    names, sizes = zip(*[(run.variant, run.settings) for run in open_study("network-size").runs], strict=True)
    operations = [network_size(select_settings(NetworkConfig, each), each.side_px)[0] for each in sizes]
    shares = {name: each / operations[-1] for name, each in zip(names, operations, strict=True)}
    assert shares == {
        "an eighth of the operations": pytest.approx(1 / 8, abs=0.02),
        "a third of the operations": pytest.approx(1 / 3, abs=0.03),
        "half of the operations": pytest.approx(1 / 2, abs=0.03),
        "as shipped": 1,
    }


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
    assert results is not None
    assert trained == [run.name for run in study.runs]
    assert [each.figures["ap_shelled"] for each in results] == [0.6, 0.7, None, None]
    costs = [NetworkCost(gflop=1.2, parameters=1_450_000, milliseconds=8.5, engine="an engine")] * 4
    table = study_table(study, results, costs).splitlines()
    assert "0.650 (0.600 to 0.700)" in table[2]
    assert table[2].split()[2:5] == ["1.20", "1.45", "8.5"]
    assert table[3].split()[-1] == "-"
    assert "by an engine" in table[4]
    definition.write_text(STUDY.replace("seeds = [1, 2]", "seeds = [1, 3]"))
    stop_at = 9
    run_study(open_study(str(definition)), tmp_path / "out", train)
    assert trained[4:] == ["one-frame-seed-3", "three-frames-no-shadow-seed-3"]


def test_processes_on_one_folder_share_the_runs(definition: Path, tmp_path: Path) -> None:
    study, out = open_study(str(definition)), tmp_path / "out"
    trained: dict[str, list[str]] = {"first": [], "second": []}

    def trainer(process: str) -> Trainer:
        def train(run: StudyRun, weights: Path) -> Mapping[str, Any]:
            trained[process].append(run.name)
            if process == "first" and len(trained["first"]) == 1:
                # While the first one is at its first run, another one does all the rest.
                assert run_study(study, out, trainer("second")) is None
            weights.write_bytes(b"")
            return dict.fromkeys(FIGURES, 0.5)

        return train

    results = run_study(study, out, trainer("first"))
    names = [run.name for run in study.runs]
    assert trained == {"first": names[:1], "second": names[1:]}
    assert results is not None
    assert len(results) == 4


def test_the_cost_of_a_network_does_not_depend_on_its_seed(definition: Path, tmp_path: Path) -> None:
    one_frame, same, three_frames, _ = open_study(str(definition)).runs
    costs = network_costs([(run.settings, tmp_path / "none") for run in (one_frame, same, three_frames)])
    assert costs[0] == costs[1]
    assert costs[0].gflop < costs[2].gflop
    assert costs[2].parameters - costs[0].parameters == 2 * 8 * 5 * 5  # two more frames into 8 channels
    assert {each.engine for each in costs} == {"PyTorch"}  # smaller pictures than those of the shipped programs


def test_networks_of_the_shipped_input_are_timed_by_openvino(tmp_path: Path) -> None:
    settings = open_study("network-size").runs[-1].settings
    (cost,) = network_costs([(settings, shipped_weights())])
    assert cost.engine == "OpenVINO"
    assert cost.gflop == pytest.approx(3.91, abs=0.01)
    assert cost.milliseconds > 0


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
    assert {path.suffix for path in out.iterdir() if path.is_file()} == {".json", ".safetensors", ".csv", ".html"}
    assert [each["cost"]["engine"] for each in document["results"]] == ["PyTorch", "PyTorch"]
    page = (out / "report.html").read_text()
    assert "Does it run?" in page
    assert "ap_shelled over milliseconds a picture" in page
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
