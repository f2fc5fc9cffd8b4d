"""``agreement.html``: how well the centre's estimates agree with outcomes, on one page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.agreement.bland_altman_plot import NARROW_LAYOUT, WIDE_LAYOUT, bland_altman_svg
from pipeline.agreement.pairs import Pair
from pipeline.agreement.summary import UNKNOWN_GROUP, AgreementStatistics, AgreementSummary
from pipeline.agreement.text import (
    bias_text,
    limits_text,
    outcome_text,
    rule_text,
    sample_size_caveat,
    within_interval_text,
)
from pipeline.exams.folder_names import relative_url
from pipeline.formatting import EN_DASH, date_text, format_signed, number_text
from pipeline.language.translation import gettext
from pipeline.report.rendering import render
from pipeline.settings_tables import PLAIN_PAGES, PageSettings
from pipeline.store.atomic_write import OutputError, write_atomically, write_trouble

__all__ = ["agreement_html", "write_agreement_page"]

PAGE_NAME = "agreement.html"
STATIONS_PAGE_NAME = "agreement-stations.html"
STALE_PAGE_NAME = "record.html"  # what the page was called in earlier versions


def write_agreement_page(out: Path, summary: AgreementSummary, pages: PageSettings = PLAIN_PAGES) -> Path:
    """Write the page into the output folder, and remove the page of an earlier version. Raises OutputError.

    The page over several stations has another name, so that it does not replace that of the folder's own.
    """
    path = out / (STATIONS_PAGE_NAME if summary.stations > 1 else PAGE_NAME)
    with pages.style():
        written = agreement_html(summary)
    write_atomically(path, [written])
    try:
        (out / STALE_PAGE_NAME).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"the outdated {out / STALE_PAGE_NAME} cannot be removed: {write_trouble(error)}") from error
    return path


def agreement_html(summary: AgreementSummary) -> bytes:
    """The page, self-contained like the sheets. Its links lead to the sheets in the output folders."""
    from markupsafe import Markup

    overall = summary.overall
    return render(
        "agreement.html.j2",
        pairs=overall.pairs,
        exams=summary.exams,
        totals=_totals(overall),
        caveat=sample_size_caveat(overall),
        # Both hold only numbers and text of our own, so nothing needs escaping. The page shows the one that fits.
        plots=[
            Markup(bland_altman_svg(summary.pairs, overall.limits, layout)) for layout in (WIDE_LAYOUT, NARROW_LAYOUT)
        ],
        groups=[
            *([(gettext("By station"), gettext("Station"), _rows(summary.by_station))] if summary.by_station else []),
            (gettext("By species"), gettext("Species"), _rows(summary.by_species)),
            (gettext("By operator"), gettext("Scanned by"), _rows(summary.by_operator)),
        ],
        rows=[_row(pair) for pair in summary.pairs],
        rules=rule_text(summary),
    )


def _totals(overall: AgreementStatistics) -> list[tuple[str, str]]:
    """Label and value."""
    limits = overall.limits
    return [
        (gettext("within the 90 % range"), _share_text(overall.within_interval, overall.pairs)),
        (gettext("exact"), _share_text(overall.exact, overall.pairs)),
        (gettext("within one egg"), _share_text(overall.within_one, overall.pairs)),
        (gettext("mean difference, eggs"), format_signed(limits.bias, 1) if limits else EN_DASH),
        (gettext("limits of agreement, eggs"), limits_text(limits) if limits else EN_DASH),
    ]


def _share_text(number: int, pairs: int) -> str:
    return gettext("{number} of {pairs}", number=number, pairs=pairs)


@dataclass(frozen=True)
class GroupRow:
    """The agreement of one station, species or operator, as text."""

    name: str
    pairs: str
    bias: str
    limits: str
    within_interval: str


@dataclass(frozen=True)
class PairRow:
    """One pair, as text.

    station : empty where there is only one;  link : to the exam's sheet
    outcome_dates : of the first and last outcome
    """

    station: str
    animal: str
    species: str
    link: str
    date: str
    scanned_by: str
    estimate: str
    outcome: str
    outcome_dates: str
    difference: str
    is_within_interval: bool


def _rows(groups: Sequence[tuple[str, AgreementStatistics]]) -> list[GroupRow]:
    return [
        GroupRow(
            name=gettext("unknown") if name == UNKNOWN_GROUP else name,
            pairs=f"{each.pairs}",
            bias=bias_text(each.limits) if each.limits else gettext("too few pairs"),
            limits=(
                gettext(
                    "{limits}, each ± {error}",
                    limits=limits_text(each.limits),
                    error=number_text(each.limits.limit_ci_half_width, ".1f"),
                )
                if each.limits
                else gettext("too few pairs")
            ),
            within_interval=within_interval_text(each),
        )
        for name, each in groups
    ]


def _row(pair: Pair) -> PairRow:
    exam, shelled = pair.summary.exam, pair.summary.finding.shelled
    low, high = shelled.interval90
    first, last = pair.outcomes[0].date, pair.outcomes[-1].date
    return PairRow(
        station=pair.station.name or "",
        animal=exam.animal,
        species=exam.species or gettext("species unknown"),
        link=relative_url(PurePosixPath(pair.station.folder) / pair.summary.folder / "report.html"),
        date=date_text(exam.date),
        scanned_by=gettext("by {name}", name=exam.scanned_by) if exam.scanned_by else gettext("operator unknown"),
        estimate=f"{shelled.estimate or gettext('none seen')} ({low}{EN_DASH}{high})",
        outcome=outcome_text(pair.outcomes),
        outcome_dates=(
            date_text(first)
            if first == last
            else gettext("{first} to {last}", first=date_text(first), last=date_text(last))
        ),
        difference=format_signed(pair.difference),
        is_within_interval=pair.is_within_interval,
    )
