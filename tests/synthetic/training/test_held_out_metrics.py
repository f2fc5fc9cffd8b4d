from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import repeat

import pytest
import torch
from torch import Tensor

from models.network import EggNetwork
from models.output_channels import CHANNELS, STRIDE
from models.targets import Labels, Role, make_targets
from synthetic.training.held_out_metrics import measure

SIDE = 128
# Objects of one picture: an oval calcified egg, a thin-shelled one, a follicle, and one that is mostly hidden.
ROWS = torch.tensor(
    [
        [30.0, 30.0, 16.0, 10.0, 25.0],
        [90.0, 34.0, 14.0, 9.0, -60.0],
        [40.0, 92.0, 9.0, 8.5, 10.0],
        [96.0, 96.0, 15.0, 11.0, 80.0],
    ]
)
STAGES = torch.tensor([2, 1, 0, 2])
ROLES = torch.tensor([Role.TARGET, Role.TARGET, Role.TARGET, Role.IGNORED])


MM_PER_PX = 0.4


def labels(
    rows: Tensor = ROWS,
    stages: Tensor = STAGES,
    roles: Tensor = ROLES,
    *,
    visible: Sequence[float] = (),
    batch: int = 2,
) -> Labels:
    """The same labels for every picture; by default all outlines are completely visible."""
    visible_shares = torch.tensor(visible) if visible else torch.ones(len(rows))
    of_one = (rows, stages, roles, visible_shares, torch.tensor(MM_PER_PX))
    return Labels(*(value.expand(batch, *value.shape) for value in of_one))


def perfect_output(labels: Labels) -> Tensor:
    """(B, 11, G, G): the output of a network that knows the labels."""
    targets = make_targets(labels, SIDE)
    grid = targets.heat_map.shape[-1]
    output = torch.zeros(len(targets.heat_map), 11, grid, grid)
    output[:, CHANNELS["centre"]] = torch.where(targets.heat_map == 1, 12.0, -12.0)[:, None]
    output[:, CHANNELS["stage"]] = 10.0 * torch.nn.functional.one_hot(targets.stage, 3).permute(0, 3, 1, 2)
    output[:, CHANNELS["offset"]] = targets.offset
    output[:, CHANNELS["shape"]] = targets.shape
    return output


class FixedOutputNetwork(EggNetwork):
    """A network with the same output for every input."""

    def __init__(self, output: Tensor) -> None:
        super().__init__()
        self.output = output

    def forward(self, x: Tensor) -> Tensor:
        return self.output


def pictures(truth: Labels, *, rounds: int = 1) -> Iterator[tuple[Tensor, Labels]]:
    return repeat((torch.zeros(len(truth.role), 1, SIDE, SIDE), truth), rounds)


def test_a_perfect_network_has_perfect_metrics() -> None:
    truth = labels()
    metrics = measure(FixedOutputNetwork(perfect_output(truth)), pictures(truth, rounds=3))
    assert metrics.pictures == 6
    assert (metrics.recall_shelled, metrics.precision_shelled) == (1.0, 1.0)
    assert (metrics.recall_follicle, metrics.precision_follicle) == (1.0, 1.0)
    assert metrics.strata["calcified"].stage_right == 1.0
    assert metrics.strata["shelled"].overlap > 0.99
    assert metrics.strata["shelled"].axis_error < 0.005
    assert (metrics.ap50_shelled, metrics.ap50_follicle) == (1.0, 1.0)
    assert min(metrics.ap_shelled, metrics.ap_follicle) > 0.99


def test_hidden_objects_are_neither_rewarded_nor_punished() -> None:
    truth = labels()
    # All four are detected, including the ignored one.
    detected = labels(roles=torch.full((4,), Role.TARGET))
    metrics = measure(FixedOutputNetwork(perfect_output(detected)), pictures(truth))
    assert (metrics.recall_shelled, metrics.precision_shelled) == (1.0, 1.0)


def test_an_egg_found_next_to_a_hidden_one_counts_as_found() -> None:
    rows = torch.tensor([[40.0, 40.0, 16.0, 10.0, 25.0], [44.0, 42.0, 16.0, 10.0, 25.0]])
    truth = labels(rows, torch.tensor([2, 2]), torch.tensor([Role.TARGET, Role.IGNORED]))
    metrics = measure(FixedOutputNetwork(perfect_output(truth)), pictures(truth))
    assert (metrics.recall_shelled, metrics.precision_shelled) == (1.0, 1.0)


def test_a_missed_egg_lowers_recall_and_a_false_one_precision() -> None:
    truth = labels()
    missing = labels(roles=torch.tensor([Role.TARGET, Role.EMPTY, Role.TARGET, Role.EMPTY]))
    metrics = measure(FixedOutputNetwork(perfect_output(missing)), pictures(truth))
    assert (metrics.recall_shelled, metrics.precision_shelled) == (0.5, 1.0)
    assert (metrics.recall_follicle, metrics.precision_follicle) == (1.0, 1.0)

    false_positive = labels(
        torch.cat([ROWS, torch.tensor([[64.0, 64.0, 8.0, 7.0, 0.0]])]),
        torch.cat([STAGES, torch.tensor([2])]),
        torch.tensor([Role.TARGET, Role.TARGET, Role.TARGET, Role.EMPTY, Role.TARGET]),
    )
    metrics = measure(FixedOutputNetwork(perfect_output(false_positive)), pictures(truth))
    assert metrics.recall_shelled == 1.0
    assert metrics.precision_shelled == pytest.approx(2 / 3)
    assert metrics.precision_follicle == 1.0


def test_a_wrong_stage_is_counted_and_a_follicle_detected_as_an_egg_is_no_match() -> None:
    truth = labels()
    thin_for_calcified = labels(stages=torch.tensor([1, 1, 0, 2]))
    metrics = measure(FixedOutputNetwork(perfect_output(thin_for_calcified)), pictures(truth))
    assert (metrics.recall_shelled, metrics.precision_shelled) == (1.0, 1.0)
    assert metrics.strata["shelled"].stage_right == pytest.approx(1 / 2)
    assert metrics.strata["follicle"].stage_right == 1.0

    egg_for_follicle = labels(stages=torch.tensor([2, 1, 2, 2]))
    metrics = measure(FixedOutputNetwork(perfect_output(egg_for_follicle)), pictures(truth))
    assert metrics.recall_shelled == 1.0
    assert metrics.precision_shelled == pytest.approx(2 / 3)
    assert metrics.recall_follicle == 0.0


def test_the_size_error_of_outlines_is_measured() -> None:
    truth = labels()
    larger = ROWS.clone()
    larger[:, 2:4] *= 1.2
    metrics = measure(FixedOutputNetwork(perfect_output(labels(larger))), pictures(truth))
    assert metrics.recall_shelled == 1.0
    assert metrics.strata["shelled"].axis_error == pytest.approx(0.2, abs=0.01)
    assert metrics.strata["shelled"].overlap == pytest.approx(1 / 1.44, abs=0.01)

    larger[:, 2:4] *= 1.3 / 1.2 * 1.2  # 1.56 times: an overlap of 0.41, below one half
    metrics = measure(FixedOutputNetwork(perfect_output(labels(larger))), pictures(truth))
    assert metrics.recall_shelled == 0.0


def test_a_network_without_detections_has_no_precision() -> None:
    truth = labels()
    no_detections = torch.full((2, 11, SIDE // STRIDE, SIDE // STRIDE), -12.0)
    metrics = measure(FixedOutputNetwork(no_detections), pictures(truth))
    assert (metrics.recall_shelled, metrics.recall_follicle) == (0.0, 0.0)
    assert math.isnan(metrics.precision_shelled)
    assert math.isnan(metrics.strata["shelled"].overlap)


def test_errors_are_in_millimetres() -> None:
    changed = ROWS.clone()
    changed[:, :2] += torch.tensor([3.0, -4.0])
    changed[:, 2:4] += torch.tensor([1.0, -0.5])
    metrics = measure(FixedOutputNetwork(perfect_output(labels(changed))), pictures(labels()))
    shelled = metrics.strata["shelled"]
    # Centres are five pixels off, the full axes two and one pixels, 1.5 on average.
    assert shelled.centre_error_mm == pytest.approx(5 * MM_PER_PX, rel=0.01)
    assert shelled.axis_error_mm == pytest.approx(1.5 * MM_PER_PX, rel=0.01)
    assert shelled.axis_error == pytest.approx(((1 / 16 + 0.5 / 10) / 2 + (1 / 14 + 0.5 / 9) / 2) / 2, rel=0.02)


def test_a_mostly_hidden_object_counts_only_in_its_own_stratum() -> None:
    truth = labels(visible=[0.4, 0.6, 0.8, 0.9])
    missing = labels(roles=torch.tensor([Role.EMPTY, Role.TARGET, Role.TARGET, Role.EMPTY]))
    metrics = measure(FixedOutputNetwork(perfect_output(missing)), pictures(truth))
    assert (metrics.recall_shelled, metrics.ap50_shelled) == (1.0, 1.0)
    strata = metrics.strata
    assert (strata["shelled"].objects, strata["shelled"].found) == (2, 1.0)
    hidden = strata["shelled, less than half visible"]
    assert (hidden.objects, hidden.found) == (2, 0.0)
    assert math.isnan(hidden.axis_error_mm)
    assert strata["shelled, half to three quarters visible"].objects == 2
    assert strata["follicle, more than three quarters visible"].objects == 2
    # The sizes add up to all shelled objects.
    assert [strata[f"shelled, {size}"].objects for size in ("small", "medium", "large")] == [2, 0, 0]
    assert (strata["thin-shelled"].objects, strata["calcified"].objects) == (2, 0)


def test_predicted_errors_are_compared_with_real_ones() -> None:
    larger = ROWS.clone()
    larger[:, 0] += 2.0
    larger[:, 2:4] *= 1.1
    output = perfect_output(labels(larger))
    # The mean error of both coordinates is one pixel. Half of it is predicted, and twice the error of the log axes.
    output[:, CHANNELS["uncertainty"]] = torch.tensor([0.5 / STRIDE, 2 * math.log(1.1)]).log()[:, None, None]
    shelled = measure(FixedOutputNetwork(output), pictures(labels())).strata["shelled"]
    assert shelled.centre_error_ratio == pytest.approx(2.0, rel=0.02)
    assert shelled.axis_error_ratio == pytest.approx(0.5, rel=0.02)
    assert shelled.centre_coverage == 0.5  # too small in x, right in y
    assert shelled.axis_coverage == 1.0


def test_lines_for_people_contain_every_metric_and_stratum() -> None:
    truth = labels()
    metrics = measure(FixedOutputNetwork(perfect_output(truth)), pictures(truth))
    lines = metrics.lines()
    assert "recall_follicle 1" in lines
    assert lines[0].startswith("score of at least 0.5 ")
    assert len(lines) == 1 + len(metrics.document()) - 1 + len(metrics.strata)
    assert any(line.startswith("calcified: 2 objects, found 1.000, stage right 1.000") for line in lines)
