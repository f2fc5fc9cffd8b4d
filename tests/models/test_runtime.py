"""The shipped weights on both engines, on pictures of rings."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from safetensors.torch import save_file

from models.decode import Outlines, decode
from models.engine import Engine, EngineError
from models.errors import ClutchlightError
from models.gpu_engine import GpuEngine
from models.network import EggNetwork, load_weights
from models.openvino_engine import OpenVinoEngine
from models.output_channels import CHANNEL_COUNT, CHANNELS, INPUT_SIDE_PX, STRIDE
from models.runtime import make_engine
from models.torch_engine import TorchEngine
from models.weights_file import NetworkConfig, WeightsError, shipped_weights, weights_sha256
from tests.models.ellipse_strategies import distance
from tests.models.rings import draw_rings

Pictures = NDArray[np.float32]

SCENES = [
    [[80.0, 90.0, 30.0, 22.0, 10.0]],
    [[70.0, 80.0, 30.0, 22.0, -15.0], [160.0, 120.0, 32.0, 21.0, 30.0]],
    [],
    [[130.0, 70.0, 26.0, 25.0, 0.0], [60.0, 140.0, 27.0, 24.0, 70.0], [200.0, 150.0, 25.0, 25.0, 0.0]],
]


@pytest.fixture(scope="module")
def openvino() -> OpenVinoEngine:
    return OpenVinoEngine(shipped_weights(), threads=2)


@pytest.fixture(scope="module")
def reference() -> TorchEngine:
    return TorchEngine(shipped_weights(), threads=1)


@pytest.fixture(scope="module", params=["openvino", "reference"])
def engine(request: pytest.FixtureRequest) -> Engine:
    made: Engine = request.getfixturevalue(request.param)
    return made


@pytest.fixture(scope="module")
def pictures() -> Pictures:
    return np.stack([draw_rings(rows, side_px=INPUT_SIDE_PX, seed=s) for s, rows in enumerate(SCENES)])[:, None]


def outlines(output: NDArray[np.float32], minimum_score: float = 0.3) -> Outlines:
    return decode(output, minimum_score=minimum_score, maximum_overlap=0.5)


def test_the_shipped_weights_find_rings(reference: TorchEngine, pictures: Pictures) -> None:
    for output, rows in zip(reference.run(pictures), SCENES, strict=True):
        found = outlines(output, minimum_score=0.5)
        for row in rows:
            assert min(distance(one, row) for one in found.ellipses) <= 6.0
        assert len(found.scores) == len(rows)


def test_both_engines_have_the_same_output_format(engine: Engine, pictures: Pictures) -> None:
    outputs = engine.run(pictures)
    assert outputs.shape == (len(pictures), CHANNEL_COUNT, INPUT_SIDE_PX // STRIDE, INPUT_SIDE_PX // STRIDE)
    assert outputs.dtype == np.float32
    assert engine.weights_name == "clutchlight"
    assert engine.weights_sha256 == weights_sha256(shipped_weights())


def assert_same_objects(ours: NDArray[np.float32], theirs: NDArray[np.float32]) -> None:
    """Accept what numbers of 8 bits may change: centres by half a pixel, scores by 0.05, outlines by a pixel.

    Objects whose score is closer to the threshold may be found in one output and not in the other.
    """
    for one, other in zip(ours, theirs, strict=True):
        found, expected = outlines(one), outlines(other)
        for these, those in ((found, expected), (expected, found)):
            for index in np.flatnonzero(these.scores >= 0.35):
                distances = np.hypot(*(those.ellipses[:, :2] - these.ellipses[index, :2]).T)
                nearest = int(distances.argmin())
                assert distances[nearest] <= 0.5
                assert those.scores[nearest] == pytest.approx(these.scores[index], abs=0.05)
                assert distance(those.ellipses[nearest], these.ellipses[index]) <= 1.0


def test_the_engines_agree(openvino: OpenVinoEngine, reference: TorchEngine, pictures: Pictures) -> None:
    ours, theirs = openvino.run(pictures), reference.run(pictures)
    assert openvino.name in ("openvino-i8-bf16-cpu", "openvino-i8-f32-cpu")
    assert_same_objects(ours, theirs)


def test_bfloat16_does_not_move_the_objects(reference: TorchEngine, pictures: Pictures) -> None:
    # Tests the tolerances above on processors without native bfloat16, too.
    pictures = pictures[1:2]  # such processors are slow
    network = load_weights(shipped_weights()).bfloat16()
    with torch.inference_mode():
        outputs = network(torch.from_numpy(pictures).bfloat16()).float().numpy()
    exact = reference.run(pictures)
    assert np.abs(outputs - exact).max() > 1e-3  # there is a difference
    assert_same_objects(outputs, exact)


@pytest.mark.parametrize("device", ["cpu", "cuda"])
def test_float16_of_gpus_does_not_move_the_objects(reference: TorchEngine, pictures: Pictures, device: str) -> None:
    if device == "cuda" and not torch.cuda.is_available():
        pytest.skip("there is no GPU")
    pictures = pictures[1:2]  # processors without native float16 are slow
    outputs = GpuEngine(shipped_weights(), batch=1, device=device).run(pictures)
    exact = reference.run(pictures)
    assert np.abs(outputs - exact).max() > 1e-3  # there is a difference
    assert_same_objects(outputs, exact)


def test_output_does_not_depend_on_the_other_pictures(engine: Engine, pictures: Pictures) -> None:
    together = engine.run(pictures)
    tolerance = 0.0 if engine.name.startswith("openvino") else 1e-4  # torch adds in another order for other batches
    for index in range(len(pictures)):
        alone = engine.run(pictures[index : index + 1])
        np.testing.assert_allclose(alone[0], together[index], atol=tolerance, rtol=0)
    backwards = engine.run(np.ascontiguousarray(pictures[::-1]))
    np.testing.assert_allclose(backwards[::-1], together, atol=tolerance, rtol=0)


def test_the_same_pictures_give_the_same_bytes(engine: Engine, pictures: Pictures) -> None:
    many = np.concatenate([pictures] * 3)
    assert engine.run(many).tobytes() == engine.run(many).tobytes()


def test_later_runs_do_not_change_earlier_output(engine: Engine, pictures: Pictures) -> None:
    first = engine.run(pictures)
    kept = first.copy()
    engine.run(pictures[::-1].copy())
    np.testing.assert_array_equal(first, kept)


def test_pictures_are_not_modified(engine: Engine, pictures: Pictures) -> None:
    given = pictures.copy()
    engine.run(given)
    np.testing.assert_array_equal(given, pictures)


def test_black_pictures_contain_no_objects(engine: Engine) -> None:
    black = np.zeros((1, 1, INPUT_SIDE_PX, INPUT_SIDE_PX), dtype=np.float32)
    output = engine.run(black)[0]
    assert np.isfinite(output).all()
    assert output[CHANNELS["centre"]].max() < 0  # below a probability of one half, everywhere
    assert not len(outlines(output).scores)


def test_make_engine_makes_the_named_engine(reference: TorchEngine, pictures: Pictures) -> None:
    made = make_engine("torch", shipped_weights(), batch=8, threads=1)
    assert made.name == reference.name == "torch-f32-cpu"
    np.testing.assert_array_equal(made.run(pictures[:1]), reference.run(pictures[:1]))


def test_an_unknown_engine_is_reported_with_the_known_ones() -> None:
    with pytest.raises(EngineError, match=r'no engine named "abacus"\. Choose openvino, torch or cuda') as caught:
        make_engine("abacus", shipped_weights(), batch=8)
    assert isinstance(caught.value, ClutchlightError)


def test_a_missing_gpu_is_reported_with_advice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: False)
    with pytest.raises(EngineError, match=r"no cuda device on this machine\. Choose openvino or torch to use the CPU"):
        make_engine("cuda", shipped_weights(), batch=8)


@pytest.mark.parametrize("name", ["openvino", "torch"])
def test_missing_weights_are_reported_by_every_engine(name: str, tmp_path: Path) -> None:
    with pytest.raises(WeightsError, match=r"no weights file at .*gone\.safetensors"):
        make_engine(name, tmp_path / "gone.safetensors", batch=8)


@pytest.mark.parametrize("name", ["openvino", "torch"])
def test_networks_of_several_frames_are_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / "wide.safetensors"
    shape = {**asdict(NetworkConfig()), "frames": 3}
    save_file(EggNetwork().state_dict(), path, metadata={"network_shape": json.dumps(shape)})
    with pytest.raises(WeightsError, match=r"wide\.safetensors .*its frames is 3.*one grey frame"):
        make_engine(name, path, batch=8)
