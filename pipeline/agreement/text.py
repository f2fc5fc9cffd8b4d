"""Agreement in sentences that promise no more than the number of pairs allows."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.agreement.limits_of_agreement import LimitsOfAgreement
from pipeline.agreement.summary import AgreementStatistics, AgreementSummary
from pipeline.exams.outcomes import Outcome
from pipeline.formatting import EN_DASH, format_signed, percent, plural

__all__ = [
    "agreement_lines",
    "bias_text",
    "limits_text",
    "outcome_text",
    "rule_text",
    "sample_size_caveat",
    "within_interval_text",
]

ENOUGH_PAIRS = 30  # with fewer, the page says how uncertain the limits are; common practice, no source

_OUTCOME_KINDS = {"laid": "laid", "radiograph": "on a radiograph", "surgery": "taken out", "hatched": "hatched"}


def bias_text(limits: LimitsOfAgreement) -> str:
    """For example "1.0 too many on average"."""
    if format_signed(limits.bias, 1) == "0.0":
        return "no difference on average"
    return f"{abs(limits.bias):.1f} too {'many' if limits.bias > 0 else 'few'} on average"


def limits_text(limits: LimitsOfAgreement) -> str:
    return f"{format_signed(limits.low, 1)} to {format_signed(limits.high, 1)}"


def within_interval_text(agreement: AgreementStatistics) -> str:
    """The proportion of pairs whose 90 % interval contains the outcome, with its confidence interval."""
    if agreement.within_interval_ci95 is None:
        return "no pair"
    low, high = agreement.within_interval_ci95
    return (
        f"{agreement.within_interval} of {agreement.pairs}: {percent(agreement.within_interval / agreement.pairs)}, "
        f"95 % CI {100 * low:.0f}{EN_DASH}{100 * high:.0f} %"
    )


def sample_size_caveat(agreement: AgreementStatistics) -> str | None:
    """How uncertain the statistics are with so few pairs. None if there are enough pairs."""
    limits = agreement.limits
    if not agreement.pairs:
        return "No exam has an outcome yet, so it is unknown how far the estimates can be trusted here."
    if limits is None:
        return "One pair is too few to show how far estimates and outcomes usually differ."
    if agreement.pairs >= ENOUGH_PAIRS:
        return None
    pairs = plural(agreement.pairs, "pair")
    if not limits.standard_deviation:
        return f"{pairs} are few, and all have the same difference, so the limits look narrower than they can be."
    return (
        f"{pairs} are few: the mean may be off by {limits.bias_ci_half_width:.1f} and each limit by "
        f"{limits.limit_ci_half_width:.1f} eggs either way."
    )


def outcome_text(outcomes: Sequence[Outcome]) -> str:
    """For example "5 laid, 3 taken out"."""
    kinds = list(dict.fromkeys(one.kind for one in outcomes))
    numbers = {kind: sum(one.number or 0 for one in outcomes if one.kind == kind) for kind in kinds}
    return ", ".join(f"{numbers[kind]} {_OUTCOME_KINDS[kind]}" for kind in kinds)


def rule_text(summary: AgreementSummary) -> list[str]:
    """The rule that matches exams with outcomes, as sentences."""
    rule = summary.rule
    return [
        f"A radiograph counts if it was taken at most {rule.max_days_to_radiograph} days before or after the exam, and "
        "no egg left her in between.",
        "Without a radiograph, all eggs laid or taken out count, if the first came at most "
        f"{rule.max_days_to_first_egg} days after the exam, each of the others at most {rule.max_days_between_eggs} "
        "days after the one before, and all of them were counted.",
        "An outcome is compared with one exam only, the nearest in time, so that an animal scanned often does not "
        "weigh more.",
        "Hatchlings say nothing about the number of eggs. If an outcome was recorded twice, the last record counts.",
    ]


def agreement_lines(summary: AgreementSummary) -> list[str]:
    """A few lines for a terminal."""
    overall = summary.overall
    lines = [f"{plural(overall.pairs, 'pair')} of estimate and outcome from {plural(summary.exams, 'exam')}"]
    if overall.pairs:
        lines += [
            f"Within the 90 % range  {within_interval_text(overall)}",
            f"Exact, within one egg  {overall.exact}, {overall.within_one} of {overall.pairs}",
        ]
    if overall.limits:
        bias = format_signed(overall.limits.bias, 1)
        lines.append(f"Mean difference        {bias} eggs ({bias_text(overall.limits)})")
        lines.append(f"Limits of agreement    {limits_text(overall.limits)} eggs")
    caveat = sample_size_caveat(overall)
    return [*lines, caveat] if caveat else lines
