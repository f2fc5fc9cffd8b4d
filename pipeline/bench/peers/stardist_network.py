"""StarDist: star-shaped polygons from each pixel (Schmidt et al., MICCAI 2018, from memory), as its library trains it.

Its network, targets, losses and suppression of duplicates are the library's own; batches, the time and the learning
rate are those of all networks here. It needs TensorFlow, so it lives in the environment of the peers.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.output_channels import INPUT_SIDE_PX
from models.stages import STAGES
from models.targets import Labels, Role
from models.weight_average import average_share
from pipeline.bench.methods.method import MethodError
from pipeline.bench.peers.object_masks import object_masks
from pipeline.bench.peers.trainable_network import Finder, Learner, Outlines, PeerTraining
from pipeline.bench.results.outlines import ellipse_of_polygons

__all__ = ["StarDistNetwork", "instance_labels"]

# All values: the library's own, but for the grid, so that one pixel of it sees a whole egg.
_RAYS = 32
_GRID = (4, 4)
_LEAST_SCORE = 0.05
_MOST_OVERLAP = 0.4
_IGNORED = -1  # in label pictures: the library does not train there

_Arrays = list[NDArray[np.float32]]


@dataclass(frozen=True)
class StarDistNetwork:
    """A `TrainableNetwork`. Its TensorFlow is the one for CPUs. batch, learning_rate : the library's own"""

    batch: int = 4
    learning_rate: float = 3e-4
    weight_decay: float = 0.0
    needs_cpu: bool = True

    def begin(self, settings: PeerTraining, device: torch.device) -> Learner:
        """One with random weights. Raises MethodError if the library is missing."""
        return _StarDistLearner(settings)

    def load(self, path: Path, device: torch.device) -> Finder:
        """A trained one. Raises MethodError if the library is missing."""
        from safetensors.numpy import load_file

        stored, model = load_file(path), _build()
        model.keras_model.set_weights([stored[name].astype(np.float32) for name in sorted(stored)])

        def find(picture: NDArray[np.float32]) -> Outlines:
            _, found = model.predict_instances(
                picture, prob_thresh=_LEAST_SCORE, nms_thresh=_MOST_OVERLAP, return_labels=False
            )
            return _outlines(found)

        return find


class _StarDistLearner:
    def __init__(self, settings: PeerTraining) -> None:
        self._settings, self._model = settings, _build(settings.seed)
        self._model.prepare_for_training()
        self._keras = self._model.keras_model
        self._keras.optimizer.build(self._keras.trainable_variables)
        self._average: _Arrays = self._keras.get_weights()

    def take_step(self, step: int, pictures: Tensor, labels: Labels, learning_rate: float) -> Tensor:
        from stardist.models.model2d import StarDistData2D

        drawn, stages = instance_labels(labels, pictures.shape[-1])
        data = StarDistData2D(
            list(pictures[:, 0].cpu().numpy()),
            drawn,
            classes=stages,
            batch_size=len(drawn),
            length=1,
            n_rays=_RAYS,
            grid=_GRID,
            n_classes=len(STAGES),
            patch_size=tuple(pictures.shape[-2:]),
        )
        given, wanted = data[0]
        self._keras.optimizer.learning_rate = learning_rate
        loss = self._keras.train_on_batch(given, wanted, return_dict=True)["loss"]
        share = average_share(step + 1, self._settings.ema_decay)
        self._average = [
            mean + share * (now - mean) for mean, now in zip(self._average, self._keras.get_weights(), strict=True)
        ]
        return torch.tensor(float(loss))

    def state(self) -> dict[str, Any]:
        optimiser = [np.asarray(value) for value in self._keras.optimizer.variables]
        parts = {"network": self._keras.get_weights(), "average": self._average, "optimiser": optimiser}
        return {name: [torch.from_numpy(np.array(each)) for each in values] for name, values in parts.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        network, self._average, optimiser = (
            [each.cpu().numpy() for each in state[name]] for name in ("network", "average", "optimiser")
        )
        self._keras.set_weights(network)
        for variable, value in zip(self._keras.optimizer.variables, optimiser, strict=True):
            variable.assign(value)

    def save(self, path: Path, notes: Mapping[str, str]) -> None:
        from safetensors.numpy import save_file

        save_file({f"{at:03}": each.astype(np.float16) for at, each in enumerate(self._average)}, path, dict(notes))


def instance_labels(labels: Labels, side: int) -> tuple[list[NDArray[np.int32]], list[dict[int, int]]]:
    """For each picture the number of the object at each pixel (side, side), the last one on top, 0 for none and -1
    where only an ignored one lies; and the class of each number, from 1.
    """
    pictures, classes = [], []
    for ellipses, roles, stages in zip(labels.ellipses, labels.role, labels.stage, strict=True):
        drawn = np.zeros((side, side), np.int32)
        masks, role = object_masks(ellipses, side).cpu().numpy(), roles.cpu().numpy()
        drawn[masks[role == Role.IGNORED].any(0)] = _IGNORED
        numbers = (np.flatnonzero(role == Role.TARGET) + 1).tolist()
        for number in numbers:
            drawn[masks[number - 1]] = number
        pictures.append(drawn)
        classes.append({number: int(stages[number - 1]) + 1 for number in numbers})
    return pictures, classes


def _build(seed: int | None = None) -> Any:
    """A model of the library with random weights, which writes no files. seed : of them, and of the library"""
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")  # TensorFlow tells of its build at every start
    try:
        from csbdeep.utils.tf import keras_import
        from stardist.models import Config2D, StarDist2D
    except ImportError as error:
        raise MethodError(
            "StarDist is not installed here. Run: clutchlight bench peers-environment DIR, then "
            "DIR/bin/python -m pipeline in place of clutchlight."
        ) from error
    if seed is not None:
        keras_import("utils", "set_random_seed")(seed)
    config = Config2D(
        n_rays=_RAYS, grid=_GRID, n_channel_in=1, n_classes=len(STAGES), train_patch_size=(INPUT_SIDE_PX,) * 2
    )
    return StarDist2D(config, name=None, basedir=None)


def _outlines(found: Mapping[str, NDArray[np.float64]]) -> Outlines:
    """Polygons (N, 2, rays), rows before columns, as the ellipses of the same moments."""
    stages: Sequence[int] = (found["class_prob"][:, 1:].argmax(1) + 1).tolist()
    outlines = []
    for polygon, score, stage in zip(found["coord"], found["prob"].tolist(), stages, strict=True):
        try:
            ellipse = ellipse_of_polygons([polygon[::-1].T.astype(np.float64)])
        except ValueError:  # without an area
            continue
        outlines.append({"ellipse": ellipse.tolist(), "score": min(1.0, score), "category_id": stage})
    return outlines
