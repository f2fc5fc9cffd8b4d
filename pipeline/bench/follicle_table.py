"""The metrics of follicles as plain text in columns."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.bench.follicle_counts import AnimalsWithNothing, FollicleMetrics
from pipeline.bench.size_metrics import FollicleDiameters
from pipeline.formatting import format_known, plural

__all__ = ["FOLLICLE_LEGEND", "follicle_lines"]

FOLLICLE_LEGEND = """\
Follicles are compared with those that the sweeps crossed: within 2, or within 25 % of the truth if that is more. Their
diameter is the mean of the three axes."""

_COLUMNS = {
    "animals": 9,
    "within 2 or 25 %": 18,
    "bias": 8,
    "mean absolute error": 21,
    "interval holds": 16,
    "at_least above truth": 22,
}


def follicle_lines(metrics: FollicleMetrics, diameters: FollicleDiameters) -> Iterator[str]:
    """The lines of one data set."""
    if set(metrics.by_number) - {"none", "all"}:
        yield from _count_lines(metrics)
    if metrics.follicles_only:
        yield (
            f"  animals with only follicles: told shelled eggs {_share(metrics.follicles_only_told_eggs, metrics)}, "
            f"told nothing {_share(metrics.follicles_only_told_nothing, metrics)}"
        )
    if metrics.with_nothing.animals:
        yield _nothing_line(metrics.with_nothing)
    if diameters.error_mm is not None:
        by_section = f" ({diameters.by_section} by the widest section)" if diameters.by_section else ""
        yield (
            f"  diameters of {plural(diameters.follicles, 'listed follicle')}{by_section}: median absolute error "
            f"{diameters.error_mm:.2f} mm"
        )


def _count_lines(metrics: FollicleMetrics) -> Iterator[str]:
    yield f"  {'by follicles':<16}" + "".join(f"{name:>{width}}" for name, width in _COLUMNS.items())
    for name, counts in metrics.by_number.items():
        cells = (
            f"{counts.animals:,}",
            f"{counts.within_2_or_quarter:.0%}",
            f"{counts.bias:+.2f}",
            f"{counts.mean_absolute_error:.2f}",
            format_known(counts.interval_coverage, ".0%"),
            str(counts.lower_bound_violations),
        )
        yield f"    {name:<14}" + "".join(
            f"{cell:>{width}}" for cell, width in zip(cells, _COLUMNS.values(), strict=True)
        )


def _share(number: int, metrics: FollicleMetrics) -> str:
    return f"{number} of {metrics.follicles_only} ({number / metrics.follicles_only:.0%})"


def _nothing_line(empty: AnimalsWithNothing) -> str:
    eggs, follicles = (format_known(each, ".3f") for each in (empty.eggs_per_clip, empty.follicles_per_clip))
    return (
        f"  animals with nothing: told eggs {empty.told_eggs} of {empty.animals}, told follicles "
        f"{empty.told_follicles} of {empty.animals}; listed per clip, of {empty.clips}: {eggs} eggs, "
        f"{follicles} follicles"
    )
