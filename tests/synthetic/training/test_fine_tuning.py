"""Networks that are far too small for phantoms learn discs in seconds and forget them as fast."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
import torch
from safetensors import safe_open
from torch import Tensor

from configs.reading import config_path
from models.network import EggNetwork, load_weights, save_weights
from models.targets import Labels, Role
from models.weights_file import NetworkConfig, weights_sha256
from synthetic.training import fine_tuning, training_run
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.fine_tuning import (
    FineTuningResult,
    FineTuningSettings,
    MixedBatches,
    load_fine_tuning_settings,
    run_fine_tuning,
    taught_animals,
)
from synthetic.training.labelled_pictures import LabelledPictures, LabelledStream
from synthetic.training.training_run import select_settings
from tests.synthetic.own_labels import own_labels
from tests.synthetic.training.test_training_run import SETTINGS

CPU = torch.device("cpu")
FINE_TUNING = FineTuningSettings(
    **{
        **SETTINGS.model_dump(),
        "steps": 60,
        "batch": 6,
        "learning_rate": 0.02,
        "warm_up_steps": 5,
        "report_every_steps": 20,
        "held_out_every_steps": 80,
        "held_out_pictures": 2,
        "phantom_share": 0.0,
        "held_back_share": 0.25,
        "max_frames_per_clip": 10,
        "max_precision_drop": 0.02,
    }
)


@pytest.fixture(scope="module")
def labelled() -> LabelledPictures:
    return own_labels(animals=4, frames=6)


def fine_tune(
    settings: FineTuningSettings, start: Path, out: Path, labelled: LabelledPictures, *, allow_regression: bool = False
) -> tuple[FineTuningResult, list[int]]:
    steps: list[int] = []
    result = run_fine_tuning(
        settings,
        out,
        start=start,
        labelled=labelled,
        devices=[CPU],
        report=lambda progress: steps.append(progress.step),
        allow_regression=allow_regression,
    )
    return result, steps


@pytest.fixture(scope="module")
def untrained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    torch.manual_seed(1)
    path = tmp_path_factory.mktemp("untrained") / "weights.safetensors"
    save_weights(EggNetwork(NetworkConfig(SETTINGS.widths, SETTINGS.blocks)), path, {})
    return path


@pytest.fixture(scope="module")
def better(
    untrained: Path, labelled: LabelledPictures, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, FineTuningResult]:
    out = tmp_path_factory.mktemp("better") / "weights.safetensors"
    return out, fine_tune(FINE_TUNING, untrained, out, labelled)[0]


def test_a_network_that_became_better_on_held_back_labels_is_written(
    better: tuple[Path, FineTuningResult], untrained: Path, labelled: LabelledPictures
) -> None:
    out, result = better
    before, after = result.labels
    assert before.ap_shelled < 0.05
    assert after.ap50_shelled > 0.5
    assert (result.is_worse, result.is_written) == (False, True)
    # Measured on one animal of four, on all of its frames.
    assert len(result.animals) == 1
    assert before.pictures == after.pictures == 6
    with safe_open(out, framework="pt") as stored:
        notes = stored.metadata()
    assert notes["started_from"] == weights_sha256(untrained)
    assert notes["labels_sha256"] == labelled.sha256
    assert taught_animals(out) == set(labelled.animals) - set(result.animals)
    assert taught_animals(untrained) == set()
    assert json.dumps(json.loads(notes["change"])) == json.dumps(result.document())
    assert f"held-back labels ({result.animals[0]}), 6 pictures: {before.ap_shelled:.3f} before" in result.lines()[1]
    assert not out.with_suffix(".checkpoint").exists()


def test_a_network_that_became_worse_is_written_only_if_allowed(
    better: tuple[Path, FineTuningResult], labelled: LabelledPictures, tmp_path: Path
) -> None:
    start, _ = better
    out = tmp_path / "weights.safetensors"
    out.write_bytes(b"an earlier file")
    # A learning rate so high that everything is forgotten.
    destructive = FINE_TUNING.model_copy(
        update={"steps": 2, "learning_rate": 0.9, "warm_up_steps": 1, "report_every_steps": 1}
    )
    result, steps = fine_tune(destructive, start, out, labelled)
    assert result.labels[1].ap_shelled < result.labels[0].ap_shelled
    assert (result.is_worse, result.is_written, steps) == (True, False, [1, 2])
    assert out.read_bytes() == b"an earlier file"
    result, steps = fine_tune(destructive, start, out, labelled, allow_regression=True)
    assert (result.is_worse, result.is_written, steps) == (True, True, [])  # the trained network is not trained again
    assert taught_animals(start) <= taught_animals(out)
    assert not torch.equal(load_weights(out).stem[0].weight, load_weights(start).stem[0].weight)


def test_held_back_animals_are_not_trained_on_and_uncertainty_is_calibrated_on_new_phantoms(
    untrained: Path, labelled: LabelledPictures, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    taught: list[str] = []
    calibrated_on: list[Tensor] = []

    class Watched(LabelledStream):
        def __init__(self, labelled: LabelledPictures, *rest: Any) -> None:
            taught.extend(labelled.animals)
            super().__init__(labelled, *rest)

    def finish_network(network: EggNetwork, pictures: Iterable[tuple[Tensor, Labels]]) -> None:
        calibrated_on.extend(batch for batch, _ in pictures)

    monkeypatch.setattr(fine_tuning, "LabelledStream", Watched)
    monkeypatch.setattr(fine_tuning, "finish_network", finish_network)
    settings = FINE_TUNING.model_copy(update={"steps": 1, "warm_up_steps": 1})
    result, _ = fine_tune(settings, untrained, tmp_path / "weights.safetensors", labelled)
    assert sorted([*taught, *result.animals]) == labelled.animals
    phantoms = PhantomPictures(select_settings(StreamSettings, settings, batch=1), settings.seed, CPU)
    assert torch.equal(torch.cat(calibrated_on), phantoms.batch(settings.steps)[0])


def test_worse_means_any_loss_on_labels_or_a_large_one_on_phantoms(better: tuple[Path, FineTuningResult]) -> None:
    base = replace(better[1].labels[1], ap_shelled=0.5, ap_follicle=float("nan"))

    def is_worse(labels: float, phantoms: float) -> bool:
        pairs = ((base, replace(base, ap_shelled=0.5 + change)) for change in (labels, phantoms))
        return FineTuningResult(("OWN-1",), *pairs, max_precision_drop=0.02).is_worse

    assert not is_worse(0.0, 0.0)
    assert is_worse(-0.001, 0.3)
    assert not is_worse(0.001, -0.019)
    assert is_worse(0.3, -0.021)
    # Follicles count as much as shelled eggs, if there are any.
    lost = replace(base, ap_shelled=0.6, ap_follicle=0.2)
    assert FineTuningResult((), (replace(base, ap_follicle=0.5), lost), (base, base), 0.02).is_worse


def test_batches_are_phantoms_and_labels_by_phantom_share(labelled: LabelledPictures) -> None:
    settings = FINE_TUNING.model_copy(update={"phantom_share": 0.34, "batch": 3})
    pictures, labels = next(islice(MixedBatches(settings, labelled, CPU).batches(7), 1))
    phantoms = PhantomPictures(select_settings(StreamSettings, settings, batch=1), settings.seed, CPU).batch(7)
    own = LabelledStream(labelled, 2, settings.seed, CPU).batch(7)
    assert torch.equal(pictures, torch.cat([phantoms[0], own[0]]))
    for name, values in vars(labels).items():
        first, second = getattr(phantoms[1], name), getattr(own[1], name)
        assert len(values) == 3
        if values.ndim == 1:
            assert torch.equal(values, torch.cat([first, second]))
        else:
            assert torch.equal(values[:1, : first.shape[1]], first)
            assert torch.equal(values[1:, : second.shape[1]], second)
    assert bool((labels.role[1:, own[1].role.shape[1] :] == Role.EMPTY).all())


def test_the_shipped_settings_fit_the_shipped_network_and_learn_slowly() -> None:
    settings = load_fine_tuning_settings(config_path("fine_tuning.toml"))
    first = training_run.load_training_settings(config_path("training.toml"))
    assert (settings.widths, settings.blocks) == (first.widths, first.blocks)
    assert settings.learning_rate <= first.learning_rate / 5
    assert settings.held_out_seed not in (settings.seed, first.seed)
    assert settings.held_out_every_steps % settings.report_every_steps == 0
