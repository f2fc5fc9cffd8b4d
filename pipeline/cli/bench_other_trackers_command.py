"""``clutchlight bench other-trackers``: the trackers of other libraries on the same detections."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, SettingsFile, Traceback

__all__ = ["compare_other_trackers"]


def compare_other_trackers(
    data_set: Annotated[Path, typer.Argument(metavar="DATASET", help="Folder with exams and ground truth.")],
    results: Annotated[
        Path,
        typer.Argument(
            metavar="RESULTS",
            help="Results of a batch on DATASET, such as DIR/1-DATASET of clutchlight bench accuracy.",
        ),
    ],
    tracks: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write the tracks of each tracker to DIR as COCO results instead."),
    ] = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare our tracks with those of other trackers on the same detections.

    The trackers come from three libraries that are not installed by default, but with the extra other-trackers, or in
    the environment of bench peers-environment.
    """
    with handle_errors(traceback):
        from dataclasses import asdict

        from pipeline.bench.ground_truth import open_data_set
        from pipeline.bench.other_trackers import compare_trackers, tracker_table, write_tracks
        from pipeline.settings import load_settings

        known, loaded = open_data_set(data_set), load_settings(settings).track
        if tracks is not None:
            write_tracks(known, results, loaded, tracks)
            return
        compared = compare_trackers(known, results, loaded)
        if as_json:
            typer.echo(json.dumps({name: asdict(each) for name, each in compared.items()}, indent=2))
        else:
            typer.echo(tracker_table(compared))
