"""``report.html`` of a bench: sections with plots, tables and text, on one page that loads nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.bench.yardsticks import load_yardsticks
from pipeline.bench_report.manifest import Manifest
from pipeline.report.rendering import render

__all__ = ["Section", "Table", "bench_page"]


@dataclass(frozen=True)
class Table:
    """headings : of the columns, the first of the names;  rows : as many cells each"""

    headings: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True)
class Section:
    """plots : caption and SVG;  tables, notes : beneath them;  text : in columns, as on a terminal, "" without any"""

    title: str
    plots: Sequence[tuple[str, str]] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = field(default_factory=tuple)
    text: str = ""


def bench_page(title: str, summary: str, sections: Sequence[Section], manifest: Manifest) -> bytes:
    """The page. summary : one sentence under the title"""
    from markupsafe import Markup

    return render(
        "bench.html.j2",
        title=title,
        summary=summary,
        sections=[
            {
                "title": each.title,
                # They hold only numbers, and names that are escaped.
                "plots": [(caption, Markup(svg)) for caption, svg in each.plots],
                "tables": each.tables,
                "notes": each.notes,
                "text": each.text,
            }
            for each in sections
        ],
        people=load_yardsticks(),
        manifest=manifest.lines(),
        command=manifest.command,
    )
