"""Writes the files over all exams, season by season: tables, index, and the slip of rescans.

Each file is written atomically (`pipeline.store.atomic_write`).
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType

from pipeline.report.export.tables import animals_parquet, eggs_csv, eggs_parquet
from pipeline.report.index import index_pages
from pipeline.report.rescan_slip import RESCAN_SLIP, rescan_slip_html
from pipeline.report.season import EGGS_PARQUET, EXAMS_PARQUET, SeasonFiles, SeasonList
from pipeline.report.sign_off import SignOff
from pipeline.report.summary import summary_csv
from pipeline.settings_tables import PLAIN_PAGES, PageSettings
from pipeline.store.atomic_write import OutputError, write_atomically, write_trouble

__all__ = ["remove_other_seasons", "write_season_files"]


def write_season_files(
    out: Path,
    exams: SeasonList,
    signed: Mapping[str, SignOff] = MappingProxyType({}),
    pages: PageSettings = PLAIN_PAGES,
) -> None:
    """Write the tables and the index of one season, and the slip of rescans with the current one. Raises OutputError.

    signed : who signed, by the exam's folder;  pages : how the pages look
    """
    files, summaries = exams.files, exams.summaries
    for folder in (EXAMS_PARQUET, EGGS_PARQUET):
        if (out / folder).is_file():  # as earlier versions wrote them
            _remove(out / folder)
    write_atomically(out / files.exams_csv, [summary_csv(summaries, signed)])
    write_atomically(out / files.eggs_csv, [eggs_csv(summaries, signed)])
    write_atomically(out / files.exams_parquet, [animals_parquet(summaries, signed)])
    write_atomically(out / files.eggs_parquet, [eggs_parquet(summaries, signed)])
    if exams.night is not None:
        run = exams.night.run
        with pages.style():
            slip = rescan_slip_html(exams.listed, signed, pages, run.ended if run else None)
        write_atomically(out / RESCAN_SLIP, [slip])
    with pages.style():
        written = index_pages(exams, signed, pages, has_agreement_page=(out / "agreement.html").is_file())
    for name, page in reversed(written.items()):  # the first page last, since it leads to the others
        write_atomically(out / name, [page])
    _remove_all(set(out.glob(f"index-{exams.season}-page-*.html")) - {out / name for name in written})


def remove_other_seasons(out: Path, seasons: Iterable[SeasonFiles]) -> None:
    """Remove what an earlier division into seasons left, so that none looks current. Raises OutputError."""
    seasons = list(seasons)
    kept = {out / name for files in seasons for name in files.all}
    for files in seasons:
        kept.update(out.glob(f"index-{files.season}-page-*.html"))
    for pattern in ("index-*.html", "index-*.js", "summary-*.csv", "eggs-*.csv"):
        _remove_all(set(out.glob(pattern)) - kept)
    for folder in (EXAMS_PARQUET, EGGS_PARQUET):
        for part in out.glob(f"{folder}/season=*"):
            if part / "part-0.parquet" not in kept:
                shutil.rmtree(part, ignore_errors=True)


def _remove_all(paths: Iterable[Path]) -> None:
    for path in paths:
        _remove(path)


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"the outdated file {path} cannot be removed: {write_trouble(error)}") from error
