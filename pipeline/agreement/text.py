"""The record in sentences that do not promise more than its pairs can bear."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.agreement.limits_of_agreement import LimitsOfAgreement
from pipeline.agreement.summary import AgreementStatistics, AgreementSummary
from pipeline.exams.outcomes import Outcome
from pipeline.formatting import EN_DASH, percent, plural

__all__ = [
    "agreement_lines",
    "bias_words",
    "format_signed",
    "limits_words",
    "outcome_words",
    "rule_words",
    "sample_size_caveat",
    "within_interval_words",
]

FEW_PAIRS = 30  # below it the bounds are told to be loose; common practice, no source
MINUS = "\N{MINUS SIGN}"

_DONE = {"laid": "laid", "radiograph": "on a radiograph", "surgery": "taken out", "hatched": "hatched"}


def format_signed(value: float, digits: int = 1) -> str:
    """With its sign, and none before zero.

    >>> format_signed(2.04), format_signed(-0.01), format_signed(3, 0)
    ('+2.0', '0.0', '+3')
    """
    text = f"{abs(value):.{digits}f}"
    if not float(text):
        return text
    return f"{MINUS if value < 0 else '+'}{text}"


def bias_words(limits: LimitsOfAgreement) -> str:
    if format_signed(limits.bias) == "0.0":
        return "as many on average"
    return f"{abs(limits.bias):.1f} too {'many' if limits.bias > 0 else 'few'} on average"


def limits_words(limits: LimitsOfAgreement) -> str:
    return f"{format_signed(limits.low)} to {format_signed(limits.high)}"


def within_interval_words(agreement: AgreementStatistics) -> str:
    """The share of pairs whose 90 % interval held, and how sure that share is."""
    if agreement.within_interval_ci95 is None:
        return "no pair"
    low, high = agreement.within_interval_ci95
    return (
        f"{agreement.within_interval} of {agreement.pairs}: {percent(agreement.within_interval / agreement.pairs)}, "
        f"could be {100 * low:.0f}{EN_DASH}{100 * high:.0f} %"
    )


def sample_size_caveat(agreement: AgreementStatistics) -> str | None:
    """How little few pairs tell; None where there are enough."""
    limits = agreement.limits
    if not agreement.pairs:
        return "No exam has an outcome yet, so nothing can be said of how far the estimates are to be trusted here."
    if limits is None:
        return "One pair tells nothing of how far apart estimate and outcome lie as a rule."
    if agreement.pairs >= FEW_PAIRS:
        return None
    if not limits.standard_deviation:
        return (
            f"{plural(agreement.pairs, 'pair')} are few, and all differ alike, so the limits seem narrower than they "
            "can be."
        )
    return (
        f"{plural(agreement.pairs, 'pair')} are few: the mean may be off by {limits.bias_ci_half_width:.1f} and each limit by "
        f"{limits.limit_ci_half_width:.1f} eggs either way."
    )


def outcome_words(outcomes: Sequence[Outcome]) -> str:
    """5 laid, 3 taken out."""
    kinds = list(dict.fromkeys(one.kind for one in outcomes))
    return ", ".join(f"{sum(one.number or 0 for one in outcomes if one.kind == kind)} {_DONE[kind]}" for kind in kinds)


def rule_words(summary: AgreementSummary) -> list[str]:
    """By which rule exams and outcomes were matched, as sentences."""
    rule = summary.rule
    return [
        f"A radiograph counts if it was taken at most {rule.max_days_to_radiograph} days before or after the exam and no egg "
        "left her between.",
        f"Else all eggs count that she laid or that were taken out, if the first came at most {rule.max_days_to_first_egg} days "
        f"after the exam, each next one at most {rule.max_days_between_eggs} days after the last, and every one was counted.",
        "An outcome is held against one exam only, the nearest in time, so that an animal seen often does not weigh "
        "more.",
        "Hatchlings tell nothing of the number of eggs. Of outcomes recorded twice the last one holds.",
    ]


def agreement_lines(summary: AgreementSummary) -> list[str]:
    """A few lines for a terminal."""
    overall = summary.overall
    lines = [f"{plural(overall.pairs, 'pair')} of estimate and outcome from {plural(summary.exams, 'exam')}"]
    if overall.pairs:
        lines += [
            f"Inside the 90 % range  {within_interval_words(overall)}",
            f"Right, within one      {overall.exact}, {overall.within_one} of {overall.pairs}",
        ]
    if overall.limits:
        lines.append(f"Mean difference        {format_signed(overall.limits.bias)} eggs ({bias_words(overall.limits)})")
        lines.append(f"Limits of agreement    {limits_words(overall.limits)} eggs")
    few = sample_size_caveat(overall)
    return [*lines, few] if few else lines
