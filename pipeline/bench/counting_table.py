"""The metrics of the counts as plain text in columns."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.bench.baseline_counts import BaselineMetrics
from pipeline.bench.count_errors import CountErrors
from pipeline.bench.count_metrics import CountMetrics
from pipeline.bench.counting_metrics import CountingMetrics
from pipeline.bench.risk_coverage import RiskCoverage
from pipeline.formatting import format_known, plural

__all__ = ["COUNTING_LEGEND", "counting_lines"]

COUNTING_LEGEND = """\
Counts are compared with the shelled eggs that the sweeps crossed. Twice: further listings of an object that is
listed already. Two under one: listings of which at least a quarter lies on another object. Nothing: listings of which
less than three tenths lies on any object. Missed: crossed objects under no listing. The quarter reviewed first: by the
most urgent flag, then by uncertainty; the least confident quarter: by the stated confidence alone."""


def counting_lines(metrics: CountingMetrics) -> Iterator[str]:
    """The lines of one data set."""
    counts = metrics.counts
    if counts.missing:
        yield f"  {plural(counts.missing, 'animal')} without a result"
    yield from _error_lines("shelled eggs", metrics.shelled_errors)
    yield from _error_lines("follicles", metrics.follicle_errors)
    if not counts.animals:
        return
    yield from _way_lines(metrics)
    yield from _clutch_lines(metrics)
    yield from _count_lines(counts)
    yield from _risk_lines(metrics.risk)


def _error_lines(name: str, errors: CountErrors | None) -> Iterator[str]:
    if errors is None or not errors.crossed + errors.listed:
        return

    def share(number: int, of: int) -> str:
        return f"{number} ({number / of:.1%})" if of else "-"

    listed = errors.listed
    yield (
        f"  {name}, {listed:,} listed: twice {share(errors.listed_twice, listed)}, two under one "
        f"{share(errors.two_under_one, listed)}, nothing {share(errors.no_object, listed)}, other kind "
        f"{share(errors.other_kind, listed)}"
    )
    yield (
        f"    {errors.crossed:,} crossed: missed {share(errors.missed, errors.crossed)}, only the second under a "
        f"listing {share(errors.merged, errors.crossed)}"
    )


def _way_lines(metrics: CountingMetrics) -> Iterator[str]:
    """What is stated, and simpler ways to count."""
    yield f"  {'shelled eggs counted':<24}{'exact':>8}{'within 1':>10}{'bias':>8}{'mean absolute error':>21}"
    ways: dict[str, CountMetrics | BaselineMetrics] = {"as stated": metrics.counts, **metrics.baselines}
    for name, way in ways.items():
        yield (
            f"    {name:<22}{format_known(way.exact, '.0%'):>8}{format_known(way.within_1, '.0%'):>10}"
            f"{format_known(way.bias, '+.2f'):>8}{format_known(way.mean_absolute_error, '.2f'):>21}"
        )


def _clutch_lines(metrics: CountingMetrics) -> Iterator[str]:
    columns = {
        "animals": 9,
        "exact": 8,
        "within 1": 10,
        "bias": 8,
        "interval holds": 16,
        "median width": 14,
        "at_least above truth": 22,
    }
    yield f"  {'by eggs crossed':<16}" + "".join(f"{name:>{width}}" for name, width in columns.items())
    for name, counts in {**metrics.by_clutch, "all": metrics.counts}.items():
        cells = (
            f"{counts.animals:,}",
            format_known(counts.exact, ".0%"),
            format_known(counts.within_1, ".0%"),
            format_known(counts.bias, "+.2f"),
            format_known(counts.interval_coverage, ".0%"),
            format_known(counts.interval_width_median, "g"),
            str(counts.lower_bound_violations),
        )
        yield f"    {name:<14}" + "".join(
            f"{cell:>{width}}" for cell, width in zip(cells, columns.values(), strict=True)
        )


def _count_lines(counts: CountMetrics) -> Iterator[str]:
    if ignoring := counts.ignoring_occluded:
        yield (
            f"  ignoring partly occluded eggs: exact {ignoring.exact:.0%}, within 1 {ignoring.within_1:.0%}; bias "
            f"{ignoring.bias:+.2f}; the 90 % interval holds {ignoring.interval_coverage:.0%}"
        )
    yield (
        f"  within 2: {format_known(counts.within_2, '.0%')}; mean confidence that the count is within 1: "
        f"{format_known(counts.confidence, '.0%')}, expected calibration error "
        f"{format_known(counts.calibration_error, '.3f')}"
    )
    yield (
        f"  egg-free animals reported with eggs: {counts.false_gravid} of {counts.egg_free}; "
        f"with eggs, but reported as none seen: {counts.missed_gravid}"
    )


def _risk_lines(risk: RiskCoverage) -> Iterator[str]:
    if risk.captured is None:
        return
    yield (
        f"  wrong: {risk.wrong} animals of {risk.animals}; {risk.wrong_by_count} by more than one egg, "
        f"{risk.wrong_by_stage} in stage"
    )
    captured, ideal, random = (
        format_known(share, ".0%") for share in (risk.captured, risk.captured_ideal, risk.captured_random)
    )
    yield (
        f"  among the {risk.reviewed_animals} animals reviewed first are {captured} of them; in perfect order {ideal}, "
        f"in random order {random}"
    )
    if risk.wrong_counts_captured is not None:
        yield (
            f"    of those off by more than one egg, {risk.wrong_counts_captured:.0%}, and "
            f"{format_known(risk.wrong_counts_least_confident, '.0%')} are in the least confident quarter; in perfect "
            f"order {format_known(risk.wrong_counts_ideal, '.0%')}"
        )
