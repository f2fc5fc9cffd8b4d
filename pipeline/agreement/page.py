"""``record.html``: how far the centre's own estimates are to be trusted, on one page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any

from pipeline.agreement.bland_altman_plot import DESK, PHONE, bland_altman_svg
from pipeline.agreement.pairs import Pair
from pipeline.agreement.summary import Agreement, Record
from pipeline.agreement.text import (
    bias_words,
    caveat,
    inside_words,
    limits_words,
    outcome_words,
    rule_words,
    signed,
)
from pipeline.exams.folder_names import url_of
from pipeline.formatting import EN_DASH, date_words
from pipeline.report.rendering import render

__all__ = ["record_html"]


def record_html(record: Record) -> bytes:
    """The page, self-contained as the sheets are; its links lead to the sheets under the same folder."""
    from markupsafe import Markup

    overall = record.overall
    return render(
        "agreement.html.j2",
        pairs=overall.pairs,
        exams=record.exams,
        totals=_totals(overall),
        caveat=caveat(overall),
        # Numbers and our own words, nothing to escape; the page shows the one that fits.
        plots=[Markup(bland_altman_svg(record.pairs, overall.limits, frame)) for frame in (DESK, PHONE)],
        groups=[
            ("By species", "Species", _rows(record.by_species)),
            ("By who scanned", "Scanned by", _rows(record.by_hand)),
        ],
        rows=[_row(pair) for pair in record.pairs],
        rules=rule_words(record),
    )


def _totals(overall: Agreement) -> list[tuple[str, str]]:
    """(label, value)"""
    limits = overall.limits
    return [
        ("inside the 90 % range", f"{overall.inside} of {overall.pairs}"),
        ("right", f"{overall.exact} of {overall.pairs}"),
        ("right or one off", f"{overall.within_one} of {overall.pairs}"),
        ("mean difference, eggs", signed(limits.bias) if limits else EN_DASH),
        ("limits of agreement, eggs", limits_words(limits) if limits else EN_DASH),
    ]


def _rows(groups: Sequence[tuple[str, Agreement]]) -> list[dict[str, str]]:
    return [
        {
            "name": name,
            "pairs": f"{each.pairs}",
            "bias": bias_words(each.limits) if each.limits else "too few to say",
            "limits": f"{limits_words(each.limits)}, each \N{PLUS-MINUS SIGN} {each.limits.limit_error:.1f}"
            if each.limits
            else "too few to say",
            "inside": inside_words(each),
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
        "link": url_of(PurePosixPath(pair.summary.folder) / "report.html"),
        "date": date_words(exam.date),
        "hand": f"by {exam.scanned_by}" if exam.scanned_by else "not told by whom",
        "estimate": f"{shelled.estimate} ({low}{EN_DASH}{high})",
        "outcome": outcome_words(pair.outcomes),
        "known": date_words(first) if first == last else f"{date_words(first)} to {date_words(last)}",
        "difference": signed(pair.difference, 0),
        "inside": pair.is_inside,
    }
