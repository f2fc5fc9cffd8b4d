"""The dated line of the index: when the last run ended. A night with nothing new writes it anew and nothing else."""

from __future__ import annotations

import datetime as dt
from html import escape
from pathlib import Path

from pipeline.formatting import moment_text
from pipeline.language.translation import gettext, ngettext
from pipeline.report.season import NightlyRun
from pipeline.settings_tables import PageSettings
from pipeline.store.atomic_write import OutputError, write_atomically, write_trouble

__all__ = ["redate_index", "run_line"]

START, END = b'<p class="run" id="run"', b"</p>"


def run_line(run: NightlyRun, pages: PageSettings) -> str:
    """When the run ended and what it covered, as a paragraph."""
    ended = run.ended.astimezone(dt.UTC).isoformat(timespec="seconds")
    text = escape(
        gettext(
            "Run ended {moment}. It covered {exams} with {clips} under {folder}.",
            moment=moment_text(pages.local_time(run.ended)),
            exams=ngettext("{number} exam", "{number} exams", run.exams),
            clips=ngettext("{number} clip", "{number} clips", run.clips),
            folder=run.root,
        )
    )
    data = f'data-ended="{ended}" data-stale-after-hours="{pages.stale_after_hours}"'
    return f"{START.decode()} {data}><span>{text}</span>{END.decode()}"


def redate_index(out: Path, run: NightlyRun, pages: PageSettings) -> None:
    """Say on the index when the last run ended, where nothing else has changed. Raises OutputError."""
    index = out / "index.html"
    try:
        page = index.read_bytes()
    except OSError as error:
        raise OutputError(f"{index} cannot be read: {write_trouble(error)}") from error
    with pages.style():
        written = _redated(page, run, pages)
    write_atomically(index, [written])


def _redated(page: bytes, run: NightlyRun, pages: PageSettings) -> bytes:
    """The page as it is, with another run in its dated line; for a run that changed nothing else on it."""
    start = page.index(START)
    end = page.index(END, start) + len(END)
    return page[:start] + run_line(run, pages).encode() + page[end:]
