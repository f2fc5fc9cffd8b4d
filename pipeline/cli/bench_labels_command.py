"""``clutchlight bench labels``: compare two networks on frames that people reviewed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.metrics_output import report_metrics
from pipeline.cli.options import AsJson, MetricsFolder, Traceback

if TYPE_CHECKING:
    from pipeline.bench.label_metrics import LabelMetrics

__all__ = ["compare_on_labels"]


def compare_on_labels(
    labels: Annotated[Path, typer.Argument(metavar="LABELS", help="Folder written by clutchlight labels.")],
    weights: Annotated[Path, typer.Option("--weights", metavar="FILE", help="The new network.")],
    out: MetricsFolder,
    baseline: Annotated[
        Path | None,
        typer.Option("--baseline", metavar="FILE", help="The earlier network to compare with; else the shipped one."),
    ] = None,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare two networks on reviewed frames of animals that neither was trained on.

    The metrics are printed and written to DIR/labels.json.
    """
    with handle_errors(traceback):
        compared = _compare_networks(labels, baseline, weights)
        report_metrics(out / "labels.json", compared.document(), compared.table(), as_json=as_json)


def _compare_networks(labels: Path, before: Path | None, after: Path) -> LabelMetrics:
    """The metrics of both networks, on the same number of frames per clip as in fine-tuning.

    before : None for the shipped network
    """
    from configs.reading import config_path
    from models.weights_file import shipped_weights
    from pipeline.bench.label_metrics import compare_networks_on_labels
    from pipeline.labels.reader import read_labels
    from synthetic.training.fine_tuning import load_fine_tuning_settings
    from synthetic.training.training_device import training_device

    frames = load_fine_tuning_settings(config_path("fine_tuning.toml")).max_frames_per_clip
    labelled = read_labels(labels, max_frames_per_clip=frames)
    return compare_networks_on_labels(labelled, before or shipped_weights(), after, device=training_device())
