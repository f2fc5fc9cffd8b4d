"""The page and the manifest of a bench, beside its figures."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.cli.given_arguments import repeatable_arguments

if TYPE_CHECKING:
    from pipeline.bench_report.page import Section
    from pipeline.settings import Settings

__all__ = ["write_bench_report"]


def write_bench_report(
    out: Path,
    figures: str,
    title: str,
    summary: str,
    sections: Sequence[Section],
    *,
    settings: Settings,
    weights: Path | None,
    data_sets: Mapping[str, Path],
    seeds: Mapping[str, int] | None = None,
) -> None:
    """Write ``report.html`` and ``manifest.json``. Raises OutputError.

    figures : name of the file with the figures;  title, summary, sections : of the page;  the rest : as make_manifest
    """
    from pipeline.bench_report.manifest import make_manifest
    from pipeline.bench_report.page import bench_page
    from pipeline.store.atomic_write import write_atomically

    manifest = make_manifest(
        repeatable_arguments(), figures, settings=settings, weights=weights, data_sets=data_sets, seeds=seeds or {}
    )
    write_atomically(out / "report.html", [bench_page(title, summary, sections, manifest)])
    write_atomically(out / "manifest.json", [json.dumps(manifest.document(), indent=2).encode(), b"\n"])
