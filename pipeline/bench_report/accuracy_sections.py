"""The sections of ``bench accuracy``: its plots, the figures of each world, and its table as on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench.data_set_metrics import DataSetMetrics
from pipeline.bench.metrics_plots import metrics_svg
from pipeline.bench.metrics_table import figures_table
from pipeline.bench_report.page import Section
from pipeline.bench_report.plots import interval_svg

__all__ = ["accuracy_sections", "accuracy_summary"]

_FORMS = {"AP50": ".3f", "HOTA": ".3f", "count error": ".2f"}


def accuracy_summary(metrics: Sequence[DataSetMetrics]) -> str:
    """One sentence."""
    return "; ".join(f"{each.name}: {len(each.animals)} animals, {each.frames:,} frames" for each in metrics) + "."


def accuracy_sections(metrics: Sequence[DataSetMetrics]) -> list[Section]:
    """For each data set plots and worlds, and one table of all."""
    sections = [section for each in metrics for section in _of_data_set(each)]
    return [*sections, Section("All figures", text=figures_table(metrics))]


def _of_data_set(metrics: DataSetMetrics) -> Iterator[Section]:
    yield Section(metrics.name, plots=[("Detections, stages, review and reliability", metrics_svg(metrics))])
    if metrics.worlds:
        plots = [
            (f"{name}, each world minus all others", interval_svg(_differences(metrics, name), f"+{form}", zero=True))
            for name, form in _FORMS.items()
            if name in metrics.worlds[0].figures
        ]
        note = "95 % intervals over draws of animals. The worlds hold other animals, so nothing cancels."
        yield Section(f"{metrics.name} by world", plots=plots, notes=(note,))


def _differences(metrics: DataSetMetrics, name: str) -> list[tuple[str, Estimate]]:
    return [
        (f"{each.kind}: {each.name} ({each.animals})", each.minus_others[name])
        for each in metrics.worlds
        if name in each.minus_others
    ]
