"""``agreement.html``: how far the centre's own estimates are to be trusted, on one page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any

from pipeline.agreement.bland_altman_plot import NARROW_LAYOUT, WIDE_LAYOUT, bland_altman_svg
from pipeline.agreement.pairs import Pair
from pipeline.agreement.summary import AgreementStatistics, AgreementSummary
from pipeline.agreement.text import (
    bias_words,
    format_signed,
    limits_words,
    outcome_words,
    rule_words,
    sample_size_caveat,
    within_interval_words,
)
from pipeline.exams.folder_names import relative_url
from pipeline.formatting import EN_DASH, date_text
from pipeline.report.rendering import render

__all__ = ["agreement_html"]


def agreement_html(summary: AgreementSummary) -> bytes:
    """The page, self-contained as the sheets are; its links lead to the sheets under the same folder."""
    from markupsafe import Markup

    overall = summary.overall
    return render(
        "agreement.html.j2",
        pairs=overall.pairs,
        exams=summary.exams,
        totals=_totals(overall),
        caveat=sample_size_caveat(overall),
        # Numbers and our own words, nothing to escape; the page shows the one that fits.
        plots=[
            Markup(bland_altman_svg(summary.pairs, overall.limits, layout)) for layout in (WIDE_LAYOUT, NARROW_LAYOUT)
        ],
        groups=[
            ("By species", "Species", _rows(summary.by_species)),
            ("By who scanned", "Scanned by", _rows(summary.by_operator)),
        ],
        rows=[_row(pair) for pair in summary.pairs],
        rules=rule_words(summary),
    )


def _totals(overall: AgreementStatistics) -> list[tuple[str, str]]:
    """(label, value)"""
    limits = overall.limits
    return [
        ("inside the 90 % range", f"{overall.within_interval} of {overall.pairs}"),
        ("right", f"{overall.exact} of {overall.pairs}"),
        ("right or one off", f"{overall.within_one} of {overall.pairs}"),
        ("mean difference, eggs", format_signed(limits.bias) if limits else EN_DASH),
        ("limits of agreement, eggs", limits_words(limits) if limits else EN_DASH),
    ]


def _rows(groups: Sequence[tuple[str, AgreementStatistics]]) -> list[dict[str, str]]:
    return [
        {
            "name": name,
            "pairs": f"{each.pairs}",
            "bias": bias_words(each.limits) if each.limits else "too few to say",
            "limits": f"{limits_words(each.limits)}, each \N{PLUS-MINUS SIGN} {each.limits.limit_ci_half_width:.1f}"
            if each.limits
            else "too few to say",
            "inside": within_interval_words(each),
        }
        for name, each in groups
    ]


def _row(pair: Pair) -> dict[str, Any]:
    exam, shelled = pair.summary.exam, pair.summary.finding.shelled
    low, high = shelled.interval90
    first, last = pair.outcomes[0].date, pair.outcomes[-1].date
    return {
        "animal": exam.animal,
        "species": exam.species or "species not told",
        "link": relative_url(PurePosixPath(pair.summary.folder) / "report.html"),
        "date": date_text(exam.date),
        "operator": f"by {exam.scanned_by}" if exam.scanned_by else "not told by whom",
        "estimate": f"{shelled.estimate} ({low}{EN_DASH}{high})",
        "outcome": outcome_words(pair.outcomes),
        "known": date_text(first) if first == last else f"{date_text(first)} to {date_text(last)}",
        "difference": format_signed(pair.difference, 0),
        "inside": pair.is_within_interval,
    }
