"""The figures of all entries by stratum as plain text: a line for each stratum, a column for each entry."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.bench.comparison.animal_strata import StratumFigures
from pipeline.bench.comparison.compare import FIGURES, ComparedEntry, Figure

__all__ = ["strata_by_name", "strata_lines"]

_NAME_WIDTH, _CELL_WIDTH, _MOST_COLUMNS = 34, 16, 5
_SHOWN = ("AP50", "count error")

StratumName = tuple[str, str]  # kind and name


def strata_by_name(entries: Sequence[ComparedEntry], figure: str) -> dict[StratumName, dict[str, StratumFigures]]:
    """The strata that have this figure, in order, each with its figures by the name of the entry."""
    strata: dict[StratumName, dict[str, StratumFigures]] = {}
    for entry in entries:
        for each in entry.strata:
            if figure in each.figures:
                strata.setdefault((each.kind, each.name), {})[entry.name] = each
    return strata


def strata_lines(entries: Sequence[ComparedEntry]) -> Iterator[str]:
    """Without intervals, which ``comparison.json`` and the report have. The first entries that fit are shown."""
    for figure in FIGURES:
        strata = strata_by_name(entries, figure.name) if figure.name in _SHOWN else {}
        names = list(dict.fromkeys(name for row in strata.values() for name in row))[:_MOST_COLUMNS]
        if names:
            heading = "".join(f"{name[: _CELL_WIDTH - 2]:>{_CELL_WIDTH}}" for name in names)
            yield f"{figure.name + ' by':<{_NAME_WIDTH}}{'animals':>8}{heading}"
        for (kind, stratum), row in strata.items():
            animals = next(iter(row.values())).animals
            cells = "".join(f"{_cell(row.get(name), figure):>{_CELL_WIDTH}}" for name in names)
            yield f"  {kind + ': ' + stratum:<{_NAME_WIDTH - 2}}{animals:>8}{cells}"


def _cell(stratum: StratumFigures | None, figure: Figure) -> str:
    value = None if stratum is None else stratum.figures[figure.name].value
    return "-" if value is None else format(value, figure.form)
