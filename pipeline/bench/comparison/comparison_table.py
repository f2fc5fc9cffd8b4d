"""A comparison as plain text in columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping

from pipeline.bench.calibration_error import expected_calibration_error
from pipeline.bench.comparison.compare import FIGURES, ComparedEntry, Comparison, Figure
from pipeline.bench.comparison.lead import lead_sentences
from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench.comparison.strata_table import strata_lines
from pipeline.bench.yardsticks import yardstick_lines
from pipeline.formatting import format_known, plural

__all__ = ["comparison_table"]

_NAME_WIDTH, _CELL_WIDTH, _TEXT_WIDTH = 28, 25, 120


def comparison_table(comparison: Comparison) -> str:
    """Figures with intervals, differences from the first entry, settings, and what people reached elsewhere."""
    return "\n".join(_lines(comparison))


def _lines(comparison: Comparison) -> Iterator[str]:
    first, *others = comparison.entries
    yield (
        f"{comparison.data_set}: {plural(comparison.animals, 'animal')}, {plural(comparison.frames, 'frame')}; 95 % "
        f"intervals over {comparison.resamples:,} draws of animals (seed {comparison.seed})"
    )
    yield _line("", {figure.name: figure.name for figure in FIGURES})
    for entry in comparison.entries:
        yield _figure_line(entry.name, entry.figures, sign="")
    yield f"{first.name} minus (* better, ** worse: the interval is beyond zero)"
    for entry in others:
        if entry.first_minus_this:
            yield _figure_line(entry.name, entry.first_minus_this, sign="+")
    for sentence in lead_sentences(comparison):
        yield from textwrap.wrap(sentence, _TEXT_WIDTH, subsequent_indent="    ")
    yield from strata_lines(comparison.entries)
    yield from _cost_lines(comparison.entries)
    yield from _trust_lines(comparison.entries)
    yield from _setting_lines(comparison.entries)
    yield (
        "AP: COCO's average precision of shelled eggs on boxes. HOTA: of eggs and follicles. Count error: mean\n"
        "absolute error of the shelled eggs that the sweeps crossed, over the animals with a count. All methods are\n"
        "measured on the same draws of animals."
    )
    yield from yardstick_lines()


def _figure_line(name: str, estimates: Mapping[str, Estimate], *, sign: str) -> str:
    cells = {figure.name: _cell(estimates[figure.name], figure, sign) for figure in FIGURES if figure.name in estimates}
    return _line(name, cells)


def _line(name: str, cells: Mapping[str, str]) -> str:
    columns = "".join(f"{cells.get(figure.name, '-'):>{_CELL_WIDTH}}" for figure in FIGURES)
    return f"  {name:<{_NAME_WIDTH - 2}}{columns}"


def _cell(estimate: Estimate, figure: Figure, sign: str) -> str:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return "-"
    form = f"{sign}{figure.form}"
    return f"{estimate.value:{form}} [{estimate.low:{form}}, {estimate.high:{form}}]{_mark(estimate, figure, sign)}"


def _mark(estimate: Estimate, figure: Figure, sign: str) -> str:
    """Whether a difference is beyond chance: its interval does not hold zero."""
    if not sign or estimate.low is None or estimate.high is None or estimate.low <= 0 <= estimate.high:
        return ""
    return "*" if (estimate.low > 0) != figure.lower_is_better else "**"


def _cost_lines(entries: tuple[ComparedEntry, ...]) -> Iterator[str]:
    measured = [(entry.name, entry.cost) for entry in entries if entry.cost is not None]
    if measured:
        yield f"{'from file to outlines':<{_NAME_WIDTH}}{'processor ms':>14}{'clock ms':>14}{'MiB':>10}{'frames':>10}"
    for name, cost in measured:
        yield (
            f"  {name:<{_NAME_WIDTH - 2}}{cost.processor_ms:>14.1f}{cost.clock_ms:>14.1f}{cost.peak_mib:>10,}"
            f"{cost.frames:>10,}"
        )


def _trust_lines(entries: tuple[ComparedEntry, ...]) -> Iterator[str]:
    for entry in entries:
        if entry.review is not None and entry.review.wrong:
            review = entry.review
            yield (
                f"{entry.name}: wrong by more than one egg or in stage {review.wrong} of {review.animals}; of these in "
                f"the quarter reviewed first {format_known(review.captured, '.0%')} (at random "
                f"{format_known(review.captured_random, '.0%')}, at best {format_known(review.captured_ideal, '.0%')})"
            )
        if entry.reliability:
            error = format_known(expected_calibration_error(entry.reliability), ".3f")
            yield f"{entry.name}: expected calibration error of the confidence that a count is within one: {error}"


def _setting_lines(entries: tuple[ComparedEntry, ...]) -> Iterator[str]:
    for entry in entries:
        if entry.learned_from:
            yield f"{entry.name}: learned from phantoms, {entry.learned_from}"
        if entry.counts_note:
            yield f"{entry.name}: counted as {entry.counts_note}"
        if entry.settings:
            values = ", ".join(
                f"{name} {value:.3g}" if isinstance(value, float) else f"{name} {value}"
                for name, value in entry.settings.items()
            )
            yield from textwrap.wrap(f"{entry.name}: {values}", _TEXT_WIDTH, subsequent_indent="    ")
