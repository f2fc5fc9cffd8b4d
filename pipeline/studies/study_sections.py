"""A study as sections of a page, and as lines of a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench_report.page import Section, Table
from pipeline.bench_report.plots import interval_svg
from pipeline.formatting import format_known
from pipeline.studies.definition import Study
from pipeline.studies.run_study import FIGURES, RunResult

__all__ = ["study_sections", "study_table"]

_PLOTTED = ("ap_shelled", "ap50_follicle")
_NAME_WIDTH, _CELL_WIDTH = 30, 26


def study_sections(study: Study, results: Sequence[RunResult]) -> list[Section]:
    """Plots of the variants, and all figures."""
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
    ]


def study_table(study: Study, results: Sequence[RunResult]) -> str:
    """A line for each variant: the mean of the seeds, and lowest and highest where there are several."""
    names = ("ap50_shelled", "ap_shelled", "ap50_follicle")
    lines = [study.definition.title, f"{'':<{_NAME_WIDTH}}" + "".join(f"{name:>{_CELL_WIDTH}}" for name in names)]
    for variant in study.definition.variant:
        cells = (_cell(_spread(results, variant.name, name)) for name in names)
        lines.append(f"{variant.name:<{_NAME_WIDTH}}" + "".join(f"{cell:>{_CELL_WIDTH}}" for cell in cells))
    return "\n".join(lines)


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
