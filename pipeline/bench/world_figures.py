"""How figures fall in each simulated world against all others, as numbers and as lines of a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pipeline.bench.comparison.animal_strata import StratumFigures, figures_of_strata, world_strata
from pipeline.bench.comparison.resampling import Estimate, Statistic, animal_weights
from pipeline.bench.comparison.statistics import count_error, hota, mean_over_animals, shelled_average_precision
from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.method_results import MethodResults

__all__ = ["world_figures", "world_lines"]

_RESAMPLES, _SEED = 200, 0  # fewer draws than in a comparison, since every world takes as long
_FORMS = {"AP50": ".3f", "HOTA": ".3f", "count error": ".2f", "within 1": ".2f", "interval": ".2f"}
_NAME_WIDTH, _CELL_WIDTH = 32, 24


def world_figures(
    data_set: DataSet, results: MethodResults, animals: Sequence[CountComparison]
) -> tuple[StratumFigures, ...]:
    """The figures of each value of each part of a world; none where the data set has no two worlds.

    animals : ground truth and count of each animal of the data set
    """
    strata = [each for each in world_strata(data_set) if not each.animals.all()]
    if not strata:
        return ()
    statistics = _statistics(data_set, results, animals)
    return tuple(figures_of_strata(statistics, strata, animal_weights(len(data_set.animals), _RESAMPLES, _SEED)))


def _statistics(
    data_set: DataSet, results: MethodResults, animals: Sequence[CountComparison]
) -> Mapping[str, Statistic]:
    statistics: dict[str, Statistic] = {}
    if results.found is not None:
        statistics["AP50"], _ = shelled_average_precision(data_set, results.found)
        if results.has_tracks:
            statistics["HOTA"] = hota(data_set, results.found)
    if results.counts is not None:
        errors = [None if row.estimate is None else row.estimate - row.crossed for row in animals]
        statistics["count error"] = count_error(errors)
        statistics["within 1"] = mean_over_animals([None if error is None else abs(error) <= 1 for error in errors])
        statistics["interval"] = mean_over_animals(
            [
                None if row.interval90 is None else row.interval90[0] <= row.crossed <= row.interval90[1]
                for row in animals
            ]
        )
    return statistics


def world_lines(worlds: Sequence[StratumFigures]) -> Iterator[str]:
    """A line for each world, and one with its differences from all others."""
    if not worlds:
        return
    names = [name for name in _FORMS if any(name in each.figures for each in worlds)]
    heading = f"{'  by world':<{_NAME_WIDTH}}{'animals':>8}"
    yield heading + "".join(f"{name:>{_CELL_WIDTH}}" for name in names)
    for each in worlds:
        yield _line(f"    {each.kind}: {each.name}", f"{each.animals}", each.figures, names, sign="")
        yield _line("      minus all others", "", each.minus_others, names, sign="+")
    yield (
        f"  By world: 95 % intervals over {_RESAMPLES} draws of animals. Count error: mean absolute error of the\n"
        "  shelled eggs that the sweeps crossed. Within 1, interval: shares of animals whose count is off by at most\n"
        "  one, and whose 90 % interval holds the true count. *: the interval of a difference does not hold zero."
    )


def _line(name: str, animals: str, figures: Mapping[str, Estimate], names: Sequence[str], *, sign: str) -> str:
    cells = "".join(f"{_cell(figures.get(each), sign + _FORMS[each], bool(sign)):>{_CELL_WIDTH}}" for each in names)
    return f"{name:<{_NAME_WIDTH}}{animals:>8}{cells}"


def _cell(estimate: Estimate | None, form: str, is_difference: bool) -> str:
    if estimate is None or estimate.value is None or estimate.low is None or estimate.high is None:
        return "-"
    mark = "*" if is_difference and not estimate.low <= 0 <= estimate.high else ""
    return f"{estimate.value:{form}} [{estimate.low:{form}}, {estimate.high:{form}}]{mark}"
