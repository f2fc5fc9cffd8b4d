"""Compares two networks on the labels of one centre, without the animals that one of them was trained on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import torch
from safetensors.torch import load_file, save_file

from models.network import EggNetwork, load_weights, save_weights
from models.targets import Role
from models.weights_file import NetworkConfig, WeightsError, shipped_weights
from pipeline.bench.label_metrics import compare_networks_on_labels
from pipeline.cli import app
from pipeline.cli.exit_codes import ExitCode
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.held_out_metrics import measure
from synthetic.training.labelled_pictures import FrameLabels, LabelledPictures, LabelsError
from tests.pipeline.cli.test_train_command import write_label_folder
from tests.synthetic.own_labels import own_labels

CPU = torch.device("cpu")


def small(folder: Path, name: str, *, seed: int, trained_on: tuple[str, ...] = ()) -> Path:
    torch.manual_seed(seed)
    path = folder / name
    metadata = {"taught_animals": json.dumps(trained_on)} if trained_on else {}
    save_weights(EggNetwork(NetworkConfig((4, 4, 4, 4, 4), (1, 1, 1, 1, 1))), path, metadata)
    return path


@pytest.fixture(scope="module")
def labelled() -> LabelledPictures:
    return own_labels(animals=4, frames=2)


@pytest.fixture(scope="module")
def phantoms() -> LabelledPictures:
    """Four pictures each of two animals, similar to those that the shipped network was trained on."""
    pictures, labels = PhantomPictures(StreamSettings(animals=4, batch=8, processes=1), 77, CPU).batch(0)
    frame_labels = []
    for row, role in enumerate(labels.role):
        is_used = role != Role.EMPTY
        rows = labels.ellipses[row, is_used].double().numpy()
        animal, is_ignored = f"AF-{row // 4}", (role[is_used] == Role.IGNORED).numpy()
        frame_labels.append(
            FrameLabels(animal, rows, labels.stage[row, is_used].numpy(), is_ignored, float(labels.mm_per_px[row]))
        )
    return LabelledPictures((pictures[:, 0] * 255).byte().numpy(), tuple(frame_labels), "")


def test_animals_that_one_network_was_trained_on_are_left_out(labelled: LabelledPictures, tmp_path: Path) -> None:
    before = small(tmp_path, "before.safetensors", seed=1, trained_on=("OWN-0", "ELSEWHERE"))
    after = small(tmp_path, "after.safetensors", seed=2, trained_on=("OWN-0", "OWN-2"))
    found = compare_networks_on_labels(labelled, before, after)
    assert [each.animal for each in found.animals] == ["OWN-1", "OWN-3"]
    assert found.trained_animals == ("OWN-0", "OWN-2")
    assert (found.before.pictures, [each.after.pictures for each in found.animals]) == (4, [2, 2])
    table = found.table()
    assert table.startswith("4 frames of 2 animals on which neither network was trained: OWN-1, OWN-3")
    assert "left out, because a network was trained on them: OWN-0, OWN-2" in table
    assert json.loads(json.dumps(found.document(), allow_nan=False))["before"]["ap_follicle"] is None  # none are there
    with pytest.raises(LabelsError, match="trained on every animal of these labels"):
        compare_networks_on_labels(labelled.of(["OWN-0", "OWN-2"]), before, after)


def test_the_metrics_are_those_of_training_in_the_right_columns(phantoms: LabelledPictures, tmp_path: Path) -> None:
    worse = small(tmp_path, "worse.safetensors", seed=1)
    found = compare_networks_on_labels(phantoms, worse, shipped_weights())
    expected = [measure(load_weights(path), phantoms.batches(3, CPU)) for path in (worse, shipped_weights())]
    assert [str(found.before), str(found.after)] == [
        str(each) for each in expected
    ]  # as text, since NaN is not equal to NaN
    assert "of detections with a score of at least 0.5" in found.table()
    assert found.after.ap_shelled > 0.3 > found.before.ap_shelled
    line = next(line for line in found.table().splitlines() if line.startswith("shelled, AP50:95"))
    assert [float(value) for value in line.split()[-2:]] == pytest.approx(
        [each.ap_shelled for each in expected], abs=6e-4
    )
    first = measure(load_weights(shipped_weights()), phantoms.of(["AF-0"]).batches(3, CPU))
    assert str(found.animals[0].after) == str(first) != str(found.after)


def test_a_network_of_several_frames_is_refused(labelled: LabelledPictures, tmp_path: Path) -> None:
    several = tmp_path / "three.safetensors"
    shape = {"widths": [4, 4, 4, 4, 4], "blocks": [1, 1, 1, 1, 1], "frames": 3}
    save_file(load_file(small(tmp_path, "one.safetensors", seed=1)), several, {"network_shape": json.dumps(shape)})
    with pytest.raises(WeightsError, match=r"three\.safetensors does not hold .*its frames is 3"):
        compare_networks_on_labels(labelled, shipped_weights(), several)


def test_the_command_prints_and_writes_the_metrics(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_label_folder(tmp_path / "labels")
    after = small(tmp_path, "after.safetensors", seed=2, trained_on=("AF-1",))
    command = ["bench", "labels", str(tmp_path / "labels"), "--out", str(tmp_path / "figures")]
    assert app.main([*command, "--weights", str(after)]) == ExitCode.DONE
    assert "1 frames of 1 animals on which neither network was trained: AF-2" in capsys.readouterr().out
    written = json.loads((tmp_path / "figures" / "labels.json").read_text())
    assert list(written["animals"]) == ["AF-2"]
    assert app.main([*command, "--weights", str(after), "--baseline", str(after), "--json"]) == ExitCode.DONE
    printed = json.loads(capsys.readouterr().out)
    assert printed["before"] == printed["after"] == written["after"]
    assert app.main(command) == ExitCode.USAGE
    assert "Missing option '--weights'" in capsys.readouterr().err
