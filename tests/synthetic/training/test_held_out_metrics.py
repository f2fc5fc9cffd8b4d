from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import repeat

import pytest
import torch
from torch import Tensor

from models.network import EggNetwork
from models.output_channels import CHANNELS, STRIDE
from models.targets import Labels, make_targets
from synthetic.training.held_out_metrics import measure

SIDE = 128
# Rows of one picture: an oval calcified egg, a thin-shelled one, a follicle, and one that is mostly hidden.
ROWS = torch.tensor(
    [
        [30.0, 30.0, 16.0, 10.0, 25.0],
        [90.0, 34.0, 14.0, 9.0, -60.0],
        [40.0, 92.0, 9.0, 8.5, 10.0],
        [96.0, 96.0, 15.0, 11.0, 80.0],
    ]
)
STAGES = torch.tensor([2, 1, 0, 2])
ROLES = torch.tensor([1, 1, 1, -1])


MM_PER_PX = 0.4


def labels(
    rows: Tensor = ROWS,
    stages: Tensor = STAGES,
    roles: Tensor = ROLES,
    *,
    visible: Sequence[float] = (),
    batch: int = 2,
) -> Labels:
    """The same for every picture; all of each outline is visible unless said otherwise."""
    in_sight = torch.tensor(visible) if visible else torch.ones(len(rows))
    of_one = (rows, stages, roles, in_sight, torch.tensor(MM_PER_PX))
    return Labels(*(value.expand(batch, *value.shape) for value in of_one))


def perfect_output(said: Labels) -> Tensor:
    """(B, 11, G, G): what a network would say that knows the labels."""
    targets = make_targets(said, SIDE)
    grid = targets.heat_map.shape[-1]
    answer = torch.zeros(len(targets.heat_map), 11, grid, grid)
    answer[:, CHANNELS["centre"]] = torch.where(targets.heat_map == 1, 12.0, -12.0)[:, None]
    answer[:, CHANNELS["stage"]] = 10.0 * torch.nn.functional.one_hot(targets.stage, 3).permute(0, 3, 1, 2)
    answer[:, CHANNELS["offset"]] = targets.offset
    answer[:, CHANNELS["shape"]] = targets.shape
    return answer


class FixedOutputNetwork(EggNetwork):
    """A network that answers what it was told, whatever it is shown."""

    def __init__(self, answer: Tensor) -> None:
        super().__init__()
        self.answer = answer

    def forward(self, x: Tensor) -> Tensor:
        return self.answer


def pictures(truth: Labels, *, rounds: int = 1) -> Iterator[tuple[Tensor, Labels]]:
    return repeat((torch.zeros(len(truth.role), 1, SIDE, SIDE), truth), rounds)


def test_a_perfect_network_has_perfect_figures() -> None:
    truth = labels()
    figures = measure(FixedOutputNetwork(perfect_output(truth)), pictures(truth, rounds=3))
    assert figures.pictures == 6
    assert (figures.recall_shelled, figures.precision_shelled) == (1.0, 1.0)
    assert (figures.recall_follicle, figures.precision_follicle) == (1.0, 1.0)
    assert figures.strata["calcified"].stage_right == 1.0
    assert figures.strata["shelled"].overlap > 0.99
    assert figures.strata["shelled"].axis_error < 0.005
    assert (figures.ap50_shelled, figures.ap50_follicle) == (1.0, 1.0)
    assert min(figures.ap_shelled, figures.ap_follicle) > 0.99


def test_objects_that_are_hidden_count_neither_way() -> None:
    truth = labels()
    # All four are said to be there, also the one that is neither rewarded nor punished.
    told = labels(roles=torch.tensor([1, 1, 1, 1]))
    figures = measure(FixedOutputNetwork(perfect_output(told)), pictures(truth))
    assert (figures.recall_shelled, figures.precision_shelled) == (1.0, 1.0)


def test_an_egg_found_beside_a_hidden_one_counts_as_found() -> None:
    rows = torch.tensor([[40.0, 40.0, 16.0, 10.0, 25.0], [44.0, 42.0, 16.0, 10.0, 25.0]])
    truth = labels(rows, torch.tensor([2, 2]), torch.tensor([1, -1]))
    figures = measure(FixedOutputNetwork(perfect_output(truth)), pictures(truth))
    assert (figures.recall_shelled, figures.precision_shelled) == (1.0, 1.0)


def test_a_missed_egg_costs_recall_and_an_invented_one_precision() -> None:
    truth = labels()
    missing = labels(roles=torch.tensor([1, 0, 1, 0]))
    figures = measure(FixedOutputNetwork(perfect_output(missing)), pictures(truth))
    assert (figures.recall_shelled, figures.precision_shelled) == (0.5, 1.0)
    assert (figures.recall_follicle, figures.precision_follicle) == (1.0, 1.0)

    invented = labels(
        torch.cat([ROWS, torch.tensor([[64.0, 64.0, 8.0, 7.0, 0.0]])]),
        torch.cat([STAGES, torch.tensor([2])]),
        torch.tensor([1, 1, 1, 0, 1]),
    )
    figures = measure(FixedOutputNetwork(perfect_output(invented)), pictures(truth))
    assert figures.recall_shelled == 1.0
    assert figures.precision_shelled == pytest.approx(2 / 3)
    assert figures.precision_follicle == 1.0


def test_a_wrong_stage_is_counted_and_a_follicle_taken_for_an_egg_is_no_match() -> None:
    truth = labels()
    thin_for_calcified = labels(stages=torch.tensor([1, 1, 0, 2]))
    figures = measure(FixedOutputNetwork(perfect_output(thin_for_calcified)), pictures(truth))
    assert (figures.recall_shelled, figures.precision_shelled) == (1.0, 1.0)
    assert figures.strata["shelled"].stage_right == pytest.approx(1 / 2)
    assert figures.strata["follicle"].stage_right == 1.0

    egg_for_follicle = labels(stages=torch.tensor([2, 1, 2, 2]))
    figures = measure(FixedOutputNetwork(perfect_output(egg_for_follicle)), pictures(truth))
    assert figures.recall_shelled == 1.0
    assert figures.precision_shelled == pytest.approx(2 / 3)
    assert figures.recall_follicle == 0.0


def test_outlines_that_are_too_large_are_said_by_how_much() -> None:
    truth = labels()
    larger = ROWS.clone()
    larger[:, 2:4] *= 1.2
    figures = measure(FixedOutputNetwork(perfect_output(labels(larger))), pictures(truth))
    assert figures.recall_shelled == 1.0
    assert figures.strata["shelled"].axis_error == pytest.approx(0.2, abs=0.01)
    assert figures.strata["shelled"].overlap == pytest.approx(1 / 1.44, abs=0.01)

    larger[:, 2:4] *= 1.3 / 1.2 * 1.2  # 1.56 times: an overlap of 0.41, below one half
    figures = measure(FixedOutputNetwork(perfect_output(labels(larger))), pictures(truth))
    assert figures.recall_shelled == 0.0


def test_a_silent_network_finds_nothing_and_has_no_precision() -> None:
    truth = labels()
    silent = torch.full((2, 11, SIDE // STRIDE, SIDE // STRIDE), -12.0)
    figures = measure(FixedOutputNetwork(silent), pictures(truth))
    assert (figures.recall_shelled, figures.recall_follicle) == (0.0, 0.0)
    assert math.isnan(figures.precision_shelled)
    assert math.isnan(figures.strata["shelled"].overlap)


def test_errors_are_told_in_millimetres() -> None:
    changed = ROWS.clone()
    changed[:, :2] += torch.tensor([3.0, -4.0])
    changed[:, 2:4] += torch.tensor([1.0, -0.5])
    figures = measure(FixedOutputNetwork(perfect_output(labels(changed))), pictures(labels()))
    shelled = figures.strata["shelled"]
    # Middles five pixels aside; the full axes two and one pixels wrong, 1.5 on average.
    assert shelled.centre_error_mm == pytest.approx(5 * MM_PER_PX, rel=0.01)
    assert shelled.axis_error_mm == pytest.approx(1.5 * MM_PER_PX, rel=0.01)
    assert shelled.axis_error == pytest.approx(((1 / 16 + 0.5 / 10) / 2 + (1 / 14 + 0.5 / 9) / 2) / 2, rel=0.02)


def test_an_object_mostly_out_of_sight_counts_in_its_own_stratum_alone() -> None:
    truth = labels(visible=[0.4, 0.6, 0.8, 0.9])
    missing = labels(roles=torch.tensor([0, 1, 1, 0]))
    figures = measure(FixedOutputNetwork(perfect_output(missing)), pictures(truth))
    assert (figures.recall_shelled, figures.ap50_shelled) == (1.0, 1.0)
    strata = figures.strata
    assert (strata["shelled"].objects, strata["shelled"].found) == (2, 1.0)
    hidden = strata["shelled, less than half in sight"]
    assert (hidden.objects, hidden.found) == (2, 0.0)
    assert math.isnan(hidden.axis_error_mm)
    assert strata["shelled, half to three quarters in sight"].objects == 2
    assert strata["follicle, more than three quarters in sight"].objects == 2
    # Both kinds in all sizes make up the whole.
    assert [strata[f"shelled, {size}"].objects for size in ("small", "medium", "large")] == [2, 0, 0]
    assert (strata["thin-shelled"].objects, strata["calcified"].objects) == (2, 0)


def test_doubt_is_held_against_the_errors() -> None:
    larger = ROWS.clone()
    larger[:, 0] += 2.0
    larger[:, 2:4] *= 1.1
    answer = perfect_output(labels(larger))
    # The mean error of both coordinates is one pixel; half of it is stated, and twice the error of the log axes.
    answer[:, CHANNELS["uncertainty"]] = torch.tensor([0.5 / STRIDE, 2 * math.log(1.1)]).log()[:, None, None]
    shelled = measure(FixedOutputNetwork(answer), pictures(labels())).strata["shelled"]
    assert shelled.centre_error_ratio == pytest.approx(2.0, rel=0.02)
    assert shelled.axis_error_ratio == pytest.approx(0.5, rel=0.02)
    assert shelled.centre_coverage == 0.5  # sideways it is wrong, upright it is right
    assert shelled.axis_coverage == 1.0


def test_lines_for_people_tell_every_figure_and_stratum() -> None:
    truth = labels()
    figures = measure(FixedOutputNetwork(perfect_output(truth)), pictures(truth))
    lines = figures.lines()
    assert "recall_follicle 1" in lines
    assert len(lines) == len(figures.document()) - 1 + len(figures.strata)
    assert any(line.startswith("calcified: 2 objects, found 1.000, stage right 1.000") for line in lines)
