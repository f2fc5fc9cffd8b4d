"""Where the first method leads the others clear of chance, in sentences, and where it does not, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.bench.comparison.compare import FIGURES, ComparedEntry, Comparison, Figure
from pipeline.bench.comparison.resampling import Estimate
from pipeline.formatting import plural

__all__ = ["lead_sentences"]


def lead_sentences(comparison: Comparison) -> list[str]:
    """One for each figure: how many methods the first one is ahead of, by intervals that do not overlap; one more for
    each of the others.
    """
    return [sentence for figure in FIGURES for sentence in _of_figure(comparison, figure)]


def _of_figure(comparison: Comparison, figure: Figure) -> Iterator[str]:
    first, *others = comparison.entries
    own = first.figures.get(figure.name)
    given = [each for each in others if _is_known(each.figures.get(figure.name))]
    if own is None or not _is_known(own) or not given:
        yield f"{figure.name}: nothing to compare {first.name} with."
        return
    unclear = [each for each in given if not _is_clear(own, each.figures[figure.name], figure)]
    clear = f"clear of chance of {len(given) - len(unclear)} of {plural(len(given), 'other')}"
    yield f"{figure.name}: {first.name}, {_text(own, figure)}, is ahead {clear}, by intervals that do not overlap."
    for each in _worst_first(unclear, figure):
        yield _reason(comparison, each, figure)


def _reason(comparison: Comparison, other: ComparedEntry, figure: Figure) -> str:
    """Why the first method is not clear of this one."""
    own, theirs = (entry.figures[figure.name] for entry in (comparison.entries[0], other))
    difference = other.first_minus_this.get(figure.name)
    sign = -1.0 if figure.lower_is_better else 1.0
    ahead = sign * (_value(own) - _value(theirs))
    place = "behind it" if ahead < 0 else "level with it" if ahead == 0 else "ahead of it"
    begin = (
        f"{figure.name}: not clear of {other.name}, {_text(theirs, figure)}: {comparison.entries[0].name} is {place}"
    )
    if difference is None or difference.low is None or difference.high is None:
        return f"{begin}, and the intervals overlap."
    paired = f"the paired difference, {_text(difference, figure, sign='+')},"
    if difference.low <= 0 <= difference.high:
        few = f"{plural(comparison.animals, 'animal')} cannot tell the two apart"
        return f"{begin}, but {paired} holds zero: {few}."
    if ahead < 0:
        return f"{begin}, and {paired} is clear of zero."
    return f"{begin}: {paired} is clear of zero, though the two intervals overlap, since animals differ more."


def _worst_first(entries: Sequence[ComparedEntry], figure: Figure) -> list[ComparedEntry]:
    """Those that are best themselves come first."""
    return sorted(entries, key=lambda each: _value(each.figures[figure.name]) * (1 if figure.lower_is_better else -1))


def _is_clear(own: Estimate, theirs: Estimate, figure: Figure) -> bool:
    """Whether the first method is better and the two intervals do not overlap."""
    better, worse = (theirs, own) if figure.lower_is_better else (own, theirs)
    return better.low is not None and worse.high is not None and better.low > worse.high


def _is_known(estimate: Estimate | None) -> bool:
    return estimate is not None and None not in (estimate.value, estimate.low, estimate.high)


def _value(estimate: Estimate) -> float:
    assert estimate.value is not None
    return estimate.value


def _text(estimate: Estimate, figure: Figure, *, sign: str = "") -> str:
    form = f"{sign}{figure.form}"
    return f"{estimate.value:{form}} [{estimate.low:{form}}, {estimate.high:{form}}]"
