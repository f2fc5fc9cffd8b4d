"""The index of a season: its exams in order of review priority, with sorting and filters.

A long list goes on from page to page. The first page also holds the rows of the further ones, packed, for its script,
which sorts, filters and searches all of them, and warns when the page has become old.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from itertools import groupby
from types import MappingProxyType
from typing import Any

from markupsafe import Markup

from pipeline.formatting import date_text, number_text
from pipeline.language.translation import gettext, mark, ngettext
from pipeline.report.index_packing import packed, search_script
from pipeline.report.index_rows import SEEN_KINDS, IndexRow, index_row, seen_kind, signed_or_found
from pipeline.report.priority import EARLIER_GROUPS, PRIORITY_GROUPS, grouped, grouped_by_signature
from pipeline.report.range_bar import range_bar_svg
from pipeline.report.rendering import page_environment, render
from pipeline.report.run_line import run_line
from pipeline.report.season import SeasonFiles, SeasonList
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import ExamSummary
from pipeline.settings_tables import PLAIN_PAGES, PageSettings

__all__ = ["index_pages"]

DOWNLOADS = (mark("exams, CSV"), mark("eggs, CSV"), mark("exams, Parquet"), mark("eggs, Parquet"))
SHOWN_ROWS = 75  # on the first page; by the script, more are laid out when they are asked for
FURTHER_ROWS = 250  # on each further page
MIN_TOP, MAX_TOP = 10.0, 40.0  # eggs at the end of the range bars' scale

GroupedRow = tuple[str, str, int, Markup]
"""A row as HTML after the key and the title of its group, and the number of rows in that."""


def index_pages(
    exams: SeasonList,
    signed: Mapping[str, SignOff] = MappingProxyType({}),
    pages: PageSettings = PLAIN_PAGES,
    *,
    has_agreement_page: bool = False,
) -> dict[str, bytes]:
    """The pages by file name, the first one first, and what the search over all seasons reads of this one.

    In the current season an animal's priority is that of her last exam, and her earlier exams are listed at the end.
    Within a group the least certain come first: in that order a reviewer's time finds most errors
    (`pipeline.bench.risk_coverage`). Its first page also lists what could not be processed. In other seasons the
    groups do not depend on later exams, so that these do not touch the page.

    signed : sign-offs by exam folder;  has_agreement_page : whether agreement.html is in the same folder
    """
    of_files, summaries, night = exams.files, exams.listed, exams.night
    days = sorted({summary.exam.date for summary in summaries}, reverse=True)
    groups = grouped(summaries, signed) if night else grouped_by_signature(summaries, signed)
    titles = {key: gettext(title) for key, title in (PRIORITY_GROUPS if night else EARLIER_GROUPS)}
    counts = [signed_or_found(summary, signed.get(summary.folder))[0] for summary in summaries]
    top = min(max([MIN_TOP, *(float(count.interval90[1]) for count in counts)]), MAX_TOP)
    content = {
        key: [index_row(each, signed.get(each.folder), pages, top) for each in group] for key, group in groups.items()
    }
    rows = list(_grouped_rows(content, titles))
    parts = _parts(rows)
    seen = {seen_kind(summary, signed.get(summary.folder)) for summary in summaries}
    script = files("pipeline.report").joinpath("templates/index.js").read_text(encoding="utf-8").strip()
    # Stripped, because the hash must match the bytes between the script tags.
    digest = hashlib.sha256(script.encode()).digest()
    names = [of_files.index, *(of_files.further_index(number) for number in range(2, len(parts) + 1))]
    every = [SeasonFiles(season, season == exams.current) for season in exams.seasons]
    values: dict[str, Any] = {
        "station": pages.station,
        "season": exams.season,
        "page_title": _title(pages, None if night else exams.season),
        "heading": _heading(None if night else exams.season),
        "seasons": [(one.season, one.index) for one in every],
        "search_files": [one.search for one in every if one.season != exams.season],
        "is_current": night is not None,
        "run_line": Markup(run_line(night.run, pages) if night and night.run else ""),
        "listed": _listed(sorted({each.exam.date for each in exams.summaries}), len(night.waiting) if night else 0),
        "group_titles": [(key, title) for key, title in titles.items() if groups[key]],
        "shown_rows": SHOWN_ROWS,
        "days": [(day.isoformat(), date_text(day)) for day in days],
        "seen": [(key, gettext(title)) for key, title in SEEN_KINDS.items() if key in seen],
        "totals": _totals(summaries, signed),
        "numbers": {key: len(group) for key, group in groups.items()},
        "problems": sorted((str(each.path), each.reason) for each in night.problems) if night else [],
        "has_agreement_page": has_agreement_page,
        "downloads": list(zip(map(gettext, DOWNLOADS), of_files.tables, strict=True)),
        "parts": list(enumerate(names, 1)),
        "script": Markup(script),
        "script_hash": base64.b64encode(digest).decode(),
    }
    written = {}
    for number, (name, part) in enumerate(zip(names, parts, strict=True), 1):
        values |= {"problems": values["problems"] if number == 1 else []}
        rest = rows[len(part) :] if number == 1 else []
        further = packed(render("index_groups.html.j2", groups=_regrouped(rest)).decode()) if rest else ""
        written[name] = render("index.html.j2", **values, page_number=number, packed=further, groups=_regrouped(part))
    if of_files.is_current:
        written[of_files.lasting_index] = render("forward.html.j2", title=values["page_title"], address=of_files.index)
    return written | {of_files.search: search_script(exams.season, _search_rows(exams, content))}


def _grouped_rows(content: Mapping[str, Sequence[IndexRow]], titles: Mapping[str, str]) -> Iterator[GroupedRow]:
    template = page_environment("pipeline.report").get_template("index_row.html.j2")
    for key, title in titles.items():
        for row in content[key]:
            bar = "" if row.bar is None else Markup(range_bar_svg(row.bar))
            yield key, title, len(content[key]), Markup(template.render(row=row, range_bar=bar))


def _parts(rows: Sequence[GroupedRow]) -> list[Sequence[GroupedRow]]:
    """The rows of each page. There is always a first page."""
    starts = range(SHOWN_ROWS, len(rows), FURTHER_ROWS)
    return [rows[:SHOWN_ROWS], *(rows[start : start + FURTHER_ROWS] for start in starts)]


def _regrouped(rows: Sequence[GroupedRow]) -> list[tuple[str, str, int, list[Markup]]]:
    """Key, title, number of rows in all and the rows here, for each group that has rows here."""
    return [(*group, [row[3] for row in of_group]) for group, of_group in groupby(rows, key=lambda row: row[:3])]


def _search_rows(exams: SeasonList, content: Mapping[str, Sequence[IndexRow]]) -> list[tuple[str, ...]]:
    """Animal, species, day, count and address of the exams of the season itself, by animal and day."""
    own = {(each.exam.animal, each.exam.date.isoformat()) for each in exams.summaries}
    rows = [row for group in content.values() for row in group if (row.animal, row.day) in own]
    return sorted((row.animal, row.species, row.day, row.count, row.link) for row in rows)


def _listed(days: Sequence[dt.date], waiting: int) -> str:
    """Of which days exams are listed. days : in order;  waiting : number of exams of other seasons"""
    if not days:
        return ""
    first, last = date_text(days[0]), date_text(days[-1])
    listed = (
        gettext("Listed are all exams of {day}", day=first)
        if first == last
        else gettext("Listed are all exams from {first} to {last}", first=first, last=last)
    )
    if not waiting:
        return f"{listed}."
    return ngettext(
        "{listed}, and {number} exam of other seasons that waits for a person.",
        "{listed}, and {number} exams of other seasons that wait for a person.",
        waiting,
        listed=listed,
    )


def _heading(season: str | None) -> str:
    """season : None for the current one"""
    if season is None:
        return gettext("Ultrasound egg sheets")
    return gettext("Ultrasound egg sheets, {season}", season=season)


def _title(pages: PageSettings, season: str | None) -> str:
    heading = _heading(season)
    return gettext("{station}: {heading}", station=pages.station, heading=heading) if pages.station else heading


def _totals(summaries: Sequence[ExamSummary], signed: Mapping[str, SignOff]) -> list[tuple[str, str]]:
    """The night in numbers: label and value."""
    kinds = [seen_kind(summary, signed.get(summary.folder)) for summary in summaries]
    refused = sum(summary.clips_refused for summary in summaries)
    return [
        (gettext("animals"), number_text(len({summary.exam.animal for summary in summaries}))),
        (gettext("exams"), number_text(len(summaries))),
        (gettext("signed"), number_text(sum(summary.folder in signed for summary in summaries))),
        (gettext("with shelled eggs seen"), number_text(kinds.count("shelled"))),
        (gettext("with follicles only"), number_text(kinds.count("follicles"))),
        (gettext("none seen"), number_text(kinds.count("none"))),
        (gettext("not scanned"), number_text(kinds.count("unscanned"))),
        (gettext("clips read"), number_text(sum(summary.clips for summary in summaries) - refused)),
        (gettext("clips refused"), number_text(refused)),
    ]
