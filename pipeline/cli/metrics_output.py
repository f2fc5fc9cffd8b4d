"""Metrics of a command, in a file and on the terminal."""

from __future__ import annotations

import json
from pathlib import Path

import typer

__all__ = ["report_metrics"]


def report_metrics(path: Path, content: object, table: str, *, as_json: bool) -> None:
    """Write the metrics as JSON to ``path``, and print the same or the table. Raises OutputError."""
    from pipeline.store.atomic_write import write_atomically

    document = json.dumps(content, indent=2, allow_nan=False) + "\n"
    write_atomically(path, [document.encode()])
    typer.echo(document if as_json else table, nl=not as_json)
