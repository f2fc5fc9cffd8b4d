"""The sections of a comparison of methods."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.bench.comparison.compare import FIGURES, ComparedEntry, Comparison, Figure
from pipeline.bench.comparison.lead import lead_sentences
from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench.comparison.strata_table import strata_by_name
from pipeline.bench_report.page import Section, Table
from pipeline.bench_report.plots import interval_svg, reliability_svg, risk_svg
from pipeline.formatting import format_known

__all__ = ["comparison_sections", "comparison_summary"]

_MOST_COLUMNS = 4  # of methods, so that a table fits a page
_STRATIFIED = ("AP50", "HOTA", "count error")


def comparison_summary(comparison: Comparison) -> str:
    """One sentence."""
    return (
        f"{comparison.animals} animals, {comparison.frames:,} frames. Intervals hold 95 % of {comparison.resamples:,} "
        f"draws of whole animals (seed {comparison.seed}); all methods are measured on the same draws."
    )


def comparison_sections(comparison: Comparison) -> list[Section]:
    """Figures, lead, differences, training, strata, cost, trust and settings."""
    first, *others = comparison.entries
    return [
        Section(
            "Figures",
            plots=[(_caption(each), _plot(comparison.entries, each)) for each in FIGURES],
            notes=(
                "AP: COCO's average precision of shelled eggs on boxes, at an overlap of 0.5 and over 0.5 to 0.95. "
                "HOTA: of eggs and follicles. Count error: mean absolute error of the shelled eggs that the sweeps "
                "crossed.",
                *(f"{each.name}: counted as {each.counts_note}." for each in comparison.entries if each.counts_note),
            ),
        ),
        Section(f"Where {first.name} leads", notes=lead_sentences(comparison)),
        Section(
            f"{first.name} minus the others",
            plots=[(_caption(each), _difference_plot(others, each)) for each in FIGURES],
            notes=("Paired: both methods are measured on the same draws. An interval that holds zero shows nothing.",),
        ),
        *_training(comparison.entries),
        *_strata(comparison.entries),
        *_cost(comparison.entries),
        *_trust(comparison.entries),
        Section("Settings", tables=[Table(("Method", "Settings"), [*_settings(comparison.entries)])]),
    ]


def _caption(figure: Figure) -> str:
    return f"{figure.name}: {'lower' if figure.lower_is_better else 'higher'} is better"


def _plot(entries: Sequence[ComparedEntry], figure: Figure) -> str:
    rows = [(each.name, each.figures[figure.name]) for each in entries if figure.name in each.figures]
    return interval_svg(rows, figure.form)


def _difference_plot(entries: Sequence[ComparedEntry], figure: Figure) -> str:
    rows = [(each.name, each.first_minus_this[figure.name]) for each in entries if figure.name in each.first_minus_this]
    return interval_svg(rows, f"+{figure.form}", zero=True)


def _training(entries: Sequence[ComparedEntry]) -> Iterator[Section]:
    rows = [(each.name, each.learned_from) for each in entries if each.learned_from]
    if rows:
        yield Section("Training on phantoms", tables=[Table(("Method", "Learned from"), rows)])


def _strata(entries: Sequence[ComparedEntry]) -> Iterator[Section]:
    for figure in FIGURES:
        strata = strata_by_name(entries, figure.name) if figure.name in _STRATIFIED else {}
        if not strata:
            continue
        names = list(dict.fromkeys(name for row in strata.values() for name in row))[:_MOST_COLUMNS]
        rows = [
            [
                f"{kind}: {stratum}",
                f"{next(iter(row.values())).animals}",
                *(_cell(row[name].figures[figure.name], figure) if name in row else "-" for name in names),
            ]
            for (kind, stratum), row in strata.items()
        ]
        yield Section(f"{figure.name} by stratum", tables=[Table(("Stratum", "Animals", *names), rows)])


def _cell(estimate: Estimate, figure: Figure) -> str:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return "-"
    return f"{estimate.value:{figure.form}} [{estimate.low:{figure.form}}, {estimate.high:{figure.form}}]"


def _cost(entries: Sequence[ComparedEntry]) -> Iterator[Section]:
    rows = [
        [
            each.name,
            f"{each.cost.processor_ms:.1f}",
            f"{each.cost.clock_ms:.1f}",
            f"{each.cost.peak_mib:,}",
            f"{each.cost.frames:,}",
        ]
        for each in entries
        if each.cost is not None
    ]
    if rows:
        headings = ("From file to outlines", "Processor ms a frame", "Clock ms a frame", "Most memory, MiB", "Frames")
        yield Section(
            "Speed and memory",
            tables=[Table(headings, rows)],
            notes=("Each in a process of its own; memory is of the whole process. Ours follows and counts as well.",),
        )


def _trust(entries: Sequence[ComparedEntry]) -> Iterator[Section]:
    for each in entries:
        plots = []
        if each.review is not None:
            captured = format_known(each.review.captured, ".0%")
            caption = f"Order of review: {captured} of {each.review.wrong} wrong results in the first quarter"
            plots.append((caption, risk_svg(each.review)))
        if each.reliability:
            plots.append(("Confidence that the count is within one, with animals", reliability_svg(each.reliability)))
        if plots:
            note = "Dashed: review in random order, and confidence that always comes true as stated."
            yield Section(f"What {each.name} says of itself", plots=plots, notes=(note,))


def _settings(entries: Sequence[ComparedEntry]) -> Iterator[tuple[str, str]]:
    for each in entries:
        values = ", ".join(
            f"{name} {value:.3g}" if isinstance(value, float) else f"{name} {value}"
            for name, value in each.settings.items()
        )
        yield each.name, values or "as shipped"
