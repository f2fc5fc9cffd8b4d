"""A study as sections of a page, and as lines of a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench_report.page import Section, Table
from pipeline.bench_report.plots import interval_svg, points_svg
from pipeline.formatting import format_known
from pipeline.studies.definition import Study
from pipeline.studies.network_cost import NetworkCost
from pipeline.studies.run_study import FIGURES, RunResult

__all__ = ["study_sections", "study_table"]

_PLOTTED = ("ap_shelled", "ap50_follicle")
_NAME_WIDTH, _CELL_WIDTH, _COST_WIDTH = 30, 26, 12


def study_sections(study: Study, results: Sequence[RunResult], costs: Sequence[NetworkCost]) -> list[Section]:
    """Plots of the variants, all figures, and what the networks cost. costs : of the results"""
    return [
        Section(
            study.definition.title,
            plots=[(f"{name}: mean and range of the seeds", _plot(study, results, name)) for name in _PLOTTED],
            notes=(
                study.definition.question,
                f"Seeds {', '.join(map(str, study.definition.seeds))}; all variants are measured on phantoms that none "
                "was trained on. A range of few seeds is no interval: it shows how far chance alone went.",
            ),
        ),
        Section("Figures", tables=[Table(("Variant", *FIGURES), [*_rows(study, results)])]),
        _cost_section(study, results, costs),
    ]


def study_table(study: Study, results: Sequence[RunResult], costs: Sequence[NetworkCost]) -> str:
    """A line for each variant: what its network costs, the mean of the seeds, and lowest and highest of several."""
    names = ("ap50_shelled", "ap_shelled", "ap50_follicle")
    of_variant = _cost_of_variant(results, costs)
    headings = "".join(f"{name:>{_COST_WIDTH}}" for name in ("GFLOP", "weights, M", "ms"))
    lines = [
        study.definition.title,
        f"{'':<{_NAME_WIDTH}}{headings}" + "".join(f"{name:>{_CELL_WIDTH}}" for name in names),
    ]
    for variant in study.definition.variant:
        cells = (_cell(_spread(results, variant.name, name)) for name in names)
        cost = "".join(f"{cell:>{_COST_WIDTH}}" for cell in _cost_cells(of_variant[variant.name]))
        lines.append(f"{variant.name:<{_NAME_WIDTH}}{cost}" + "".join(f"{cell:>{_CELL_WIDTH}}" for cell in cells))
    return "\n".join([*lines, _cost_note(costs)])


def _cost_section(study: Study, results: Sequence[RunResult], costs: Sequence[NetworkCost]) -> Section:
    of_variant = _cost_of_variant(results, costs)
    rows = [(variant.name, *_cost_cells(of_variant[variant.name])) for variant in study.definition.variant]
    plots = []
    if len({each.gflop for each in costs}) > 1:
        plots = [
            (
                f"{name} over milliseconds a picture",
                points_svg(
                    [
                        (each.name, of_variant[each.name].milliseconds, _spread(results, each.name, name).value)
                        for each in study.definition.variant
                    ],
                    "ms",
                    name,
                ),
            )
            for name in _PLOTTED
        ]
    headings = ("Variant", "GFLOP a picture", "Weights, million", "Milliseconds a picture")
    return Section("Cost", plots=plots, tables=[Table(headings, rows)], notes=(_cost_note(costs),))


def _cost_of_variant(results: Sequence[RunResult], costs: Sequence[NetworkCost]) -> dict[str, NetworkCost]:
    """All seeds of a variant cost the same."""
    return {each.variant: cost for each, cost in zip(results, costs, strict=True)}


def _cost_cells(cost: NetworkCost) -> tuple[str, str, str]:
    return f"{cost.gflop:.2f}", f"{cost.parameters / 1e6:.2f}", f"{cost.milliseconds:.1f}"


def _cost_note(costs: Sequence[NetworkCost]) -> str:
    return (
        f"GFLOP: 10^9 operations a picture, a multiplication and an addition being two. Milliseconds: a picture on one "
        f"core of this machine by {costs[0].engine}, the network alone."
    )


def _plot(study: Study, results: Sequence[RunResult], figure: str) -> str:
    return interval_svg([(each.name, _spread(results, each.name, figure)) for each in study.definition.variant], ".3f")


def _rows(study: Study, results: Sequence[RunResult]) -> Iterator[list[str]]:
    for variant in study.definition.variant:
        yield [variant.name, *(_cell(_spread(results, variant.name, name)) for name in FIGURES)]


def _spread(results: Sequence[RunResult], variant: str, figure: str) -> Estimate:
    """Mean, lowest and highest of the seeds."""
    values = [each.figures[figure] for each in results if each.variant == variant]
    known = [value for value in values if value is not None]
    return Estimate(float(np.mean(known)), min(known), max(known)) if known else Estimate(None, None, None)


def _cell(spread: Estimate) -> str:
    if spread.low == spread.high:
        return format_known(spread.value, ".3f")
    return f"{spread.value:.3f} ({spread.low:.3f} to {spread.high:.3f})"
