"""Where the first method leads the others clear of chance, in sentences, and where it does not, and why."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.bench.comparison.compare import FIGURES, ComparedEntry, Comparison, Figure
from pipeline.bench.comparison.resampling import Estimate
from pipeline.formatting import plural

__all__ = ["lead_sentences"]

_ALL, _NOT_ALL, _NOBODY = "all others", "not all others", "nobody, with nothing to compare"


def lead_sentences(comparison: Comparison) -> list[str]:
    """On which figures the first method leads all others by intervals that do not overlap; then for each figure how
    many it leads, and why it does not lead each of the rest.
    """
    names: dict[str, list[str]] = {reach: [] for reach in (_ALL, _NOT_ALL, _NOBODY)}
    sentences = []
    for figure in FIGURES:
        given = _others_with(comparison, figure)
        unclear = [each for each in given if not _is_clear(comparison, each, figure)]
        names[_NOBODY if not given else _NOT_ALL if unclear else _ALL].append(figure.name)
        if given:
            sentences.append(_share(comparison, len(given) - len(unclear), len(given), figure))
            sentences += [_reason(comparison, each, figure) for each in _best_first(unclear, figure)]
    reached = "; ".join(f"{reach}: {', '.join(of_reach)}" for reach, of_reach in names.items() if of_reach)
    return [f"{comparison.entries[0].name} leads, by intervals that do not overlap, {reached}.", *sentences]


def _share(comparison: Comparison, led: int, others: int, figure: Figure) -> str:
    first = comparison.entries[0]
    own = _text(first.figures[figure.name], figure)
    return f"{figure.name}: {first.name}, {own}, leads {led} of {plural(others, 'other')}."


def _others_with(comparison: Comparison, figure: Figure) -> list[ComparedEntry]:
    """The other methods that give a figure, if the first one does."""
    first, *others = comparison.entries
    if not _is_known(first.figures.get(figure.name)):
        return []
    return [each for each in others if _is_known(each.figures.get(figure.name))]


def _reason(comparison: Comparison, other: ComparedEntry, figure: Figure) -> str:
    """Why the first method does not lead this one clearly."""
    own, theirs = (entry.figures[figure.name] for entry in (comparison.entries[0], other))
    difference = other.first_minus_this.get(figure.name)
    sign = -1.0 if figure.lower_is_better else 1.0
    ahead = sign * (_value(own) - _value(theirs))
    place = "behind it" if ahead < 0 else "level with it" if ahead == 0 else "ahead of it"
    begin = f"{figure.name}: {other.name} has {_text(theirs, figure)}; {comparison.entries[0].name} is {place}"
    if difference is None or difference.low is None or difference.high is None:
        return f"{begin}, and the intervals overlap."
    paired = f"the paired difference, {_text(difference, figure, sign='+')},"
    if difference.low <= 0 <= difference.high:
        few = f"{plural(comparison.animals, 'animal')} cannot tell the two apart"
        return f"{begin}, but {paired} holds zero: {few}."
    if ahead < 0:
        return f"{begin}, and {paired} is clear of zero."
    return f"{begin}: {paired} is clear of zero, though the two intervals overlap, since animals differ more."


def _best_first(entries: Sequence[ComparedEntry], figure: Figure) -> list[ComparedEntry]:
    return sorted(entries, key=lambda each: _value(each.figures[figure.name]) * (1 if figure.lower_is_better else -1))


def _is_clear(comparison: Comparison, other: ComparedEntry, figure: Figure) -> bool:
    """Whether the first method is better and the two intervals do not overlap."""
    own, theirs = comparison.entries[0].figures[figure.name], other.figures[figure.name]
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
