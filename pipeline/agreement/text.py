"""Agreement in sentences that promise no more than the number of pairs allows."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.agreement.limits_of_agreement import LimitsOfAgreement
from pipeline.agreement.summary import AgreementStatistics, AgreementSummary
from pipeline.exams.outcomes import Outcome
from pipeline.formatting import EN_DASH, format_signed, number_text, percent, plural
from pipeline.language.translation import gettext, mark, ngettext

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

_OUTCOME_KINDS = {
    "laid": mark("{number} laid"),
    "radiograph": mark("{number} on a radiograph"),
    "surgery": mark("{number} removed"),
    "hatched": mark("{number} hatched"),
}


def bias_text(limits: LimitsOfAgreement) -> str:
    """For example "1.0 too many on average"."""
    difference = number_text(abs(limits.bias), ".1f")
    if abs(limits.bias) < 0.05:
        return gettext("no difference on average")
    if limits.bias > 0:
        return gettext("{number} too many on average", number=difference)
    return gettext("{number} too few on average", number=difference)


def limits_text(limits: LimitsOfAgreement) -> str:
    return gettext("{low} to {high}", low=format_signed(limits.low, 1), high=format_signed(limits.high, 1))


def within_interval_text(agreement: AgreementStatistics) -> str:
    """The proportion of pairs whose 90 % interval contains the outcome, with its confidence interval."""
    if agreement.within_interval_ci95 is None:
        return gettext("no pair")
    low, high = agreement.within_interval_ci95
    return gettext(
        "{number} of {pairs}: {share}, 95 % CI {interval} %",
        number=agreement.within_interval,
        pairs=agreement.pairs,
        share=percent(agreement.within_interval / agreement.pairs),
        interval=f"{100 * low:.0f}{EN_DASH}{100 * high:.0f}",
    )


def sample_size_caveat(agreement: AgreementStatistics) -> str | None:
    """How uncertain the statistics are with so few pairs. None if there are enough pairs."""
    limits = agreement.limits
    if not agreement.pairs:
        return gettext("No exam has an outcome yet, so it is unknown how far the estimates can be trusted here.")
    if limits is None:
        return gettext("One pair is too few to show how far estimates and outcomes usually differ.")
    if agreement.pairs >= ENOUGH_PAIRS:
        return None
    if not limits.standard_deviation:
        return ngettext(
            "{number} pair is few, so the limits look narrower than they can be.",
            "{number} pairs are few, and all have the same difference, so the limits look narrower than they can be.",
            agreement.pairs,
        )
    return ngettext(
        "{number} pair is few: the mean may be off by {mean} and each limit by {limit} eggs either way.",
        "{number} pairs are few: the mean may be off by {mean} and each limit by {limit} eggs either way.",
        agreement.pairs,
        mean=number_text(limits.bias_ci_half_width, ".1f"),
        limit=number_text(limits.limit_ci_half_width, ".1f"),
    )


def outcome_text(outcomes: Sequence[Outcome]) -> str:
    """For example "5 laid, 3 removed"."""
    kinds = list(dict.fromkeys(one.kind for one in outcomes))
    numbers = {kind: sum(one.number or 0 for one in outcomes if one.kind == kind) for kind in kinds}
    return ", ".join(gettext(_OUTCOME_KINDS[kind], number=numbers[kind]) for kind in kinds)


def rule_text(summary: AgreementSummary) -> list[str]:
    """The rule that matches exams with outcomes, as sentences."""
    rule = summary.rule
    return [
        gettext(
            "A radiograph counts if it was taken at most {days} days before or after the exam, and no egg left her in "
            "between.",
            days=rule.max_days_to_radiograph,
        ),
        gettext(
            "Without a radiograph, all eggs laid or removed count, if the first came at most {first} days after the "
            "exam, each of the others at most {between} days after the one before, and all of them were counted.",
            first=rule.max_days_to_first_egg,
            between=rule.max_days_between_eggs,
        ),
        gettext(
            "An outcome is compared with one exam only, the nearest in time, so that an animal scanned often does not "
            "weigh more."
        ),
        gettext(
            "Hatchlings are not compared, because they do not show how many eggs there were. If an outcome was "
            "recorded twice, the last record counts."
        ),
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
