"""Run the adaptation trial, from simulated clips to metrics; see the package.

    python -m pipeline.adaptation_trial --out DIR [--seed S] [--animals N] [--other-animals N] [--frames-per-clip N]
        [--steps N] [--batch N] [--phantoms N] [--held-out N]

It fine-tunes the shipped network with the settings of configs/fine_tuning.toml. The options reduce the number of
steps, pictures and phantoms, since a full training needs a GPU. Clips that are already in DIR are not made again.
"""

from __future__ import annotations

import argparse
import json
import logging
import sys
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

from configs.reading import config_path
from models.evaluation_thresholds import SCORE_THRESHOLD
from models.weights_file import shipped_weights
from pipeline.adaptation_trial.simulated_reviewer import exam_truth, review_exam
from pipeline.batch.run import run_batch
from pipeline.bench.data_set_metrics import DataSetMetrics, measure_data_set
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.label_metrics import compare_networks_on_labels, metric_row
from pipeline.bench.results.own_output import read_own_output
from pipeline.detect.detector_loading import load_detector
from pipeline.formatting import plural
from pipeline.labels.reader import read_labels
from pipeline.labels.writer import write_labels
from pipeline.people.event_log import EventLog
from pipeline.people.journal import Journal
from pipeline.review.answer_service import AnswerService
from pipeline.review.cases import CaseStore
from pipeline.settings import load_settings
from pipeline.store.atomic_write import write_atomically
from synthetic.film.clips import write_subjects
from synthetic.film.unseen_animals import unseen_subjects
from synthetic.training.fine_tuning import FineTuningSettings, load_fine_tuning_settings, run_fine_tuning
from synthetic.training.training_device import training_devices

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    """Print the metrics before and after fine-tuning, and write them to DIR/figures.json."""
    options = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.WARNING)
    out: Path = options.out
    settings, shipped, fine_tuned = load_settings(), shipped_weights(), out / "own.safetensors"
    own, others = out / "own", out / "others"
    _film(own, options.animals, options.seed, options.frames_per_clip)
    _film(others, options.other_animals, options.seed + 1, options.frames_per_clip)
    _run_batch(own, out / "sheets", shipped)
    _review_all(own, out / "sheets")
    written = write_labels(out / "sheets", out / "labels", settings, _report_when_done("labels"))
    found = (plural(written.exams, "signed exam"), plural(written.frames, "frame"), plural(written.outlines, "egg"))
    _log(f"{', '.join(found)}, {written.ignored} ignored")
    fine_tuning = _reduced_settings(options)
    labelled = read_labels(out / "labels", max_frames_per_clip=fine_tuning.max_frames_per_clip)
    change = run_fine_tuning(
        fine_tuning,
        fine_tuned,
        start=shipped,
        labelled=labelled,
        devices=training_devices(),
        report=lambda progress: _log(f"step {progress.step} of {progress.steps}"),
        allow_regression=True,
    )
    on_labels = compare_networks_on_labels(labelled, shipped, fine_tuned)
    metrics = {}
    for name, weights in (("before", shipped), ("after", fine_tuned)):
        _run_batch(others, out / name, weights)
        data_set = open_data_set(others)
        metrics[name] = measure_data_set(data_set, read_own_output(data_set, out / name), settings)
    document = {
        "change": change.document(),
        "labels": on_labels.document(),
        "others": {name: each.document() for name, each in metrics.items()},
    }
    write_atomically(out / "figures.json", [json.dumps(document, indent=2).encode()])
    lines = [*change.lines(), on_labels.table(), *_metric_lines(metrics["before"], metrics["after"])]
    sys.stdout.write("\n".join([*lines, ""]))
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Fine-tunes a network on a simulated centre's recordings.")
    parser.add_argument("--out", required=True, type=Path, help="folder for all files of the trial")
    parser.add_argument("--seed", type=int, default=15001, help="seed of the reviewed animals; others: SEED + 1")
    parser.add_argument("--animals", type=int, default=6, help="number that are reviewed, a quarter of them held out")
    parser.add_argument("--other-animals", type=int, default=4, help="number on which the batch is measured")
    parser.add_argument("--frames-per-clip", type=int, default=90, help="length of each clip")
    parser.add_argument("--steps", type=int, default=60, help="number of training steps")
    parser.add_argument("--batch", type=int, default=16, help="pictures per step, half of them phantoms")
    parser.add_argument("--phantoms", type=int, default=40, help="number to train on; as many more are held out")
    parser.add_argument("--held-out", type=int, default=128, help="number of pictures of held-out phantoms")
    return parser


def _film(folder: Path, animals: int, seed: int, frames_per_clip: int) -> None:
    """Write clips of unseen animals with ground truth, unless they are already there."""
    if not (folder / "coco.json").is_file():
        subjects = unseen_subjects(animals, seed, frames=frames_per_clip)
        write_subjects(folder, subjects, seed=seed, progress=_report_when_done(f"filming {folder.name}"))


def _run_batch(exams: Path, sheets: Path, weights: Path) -> None:
    # The fine-tuned network has no calibration of its own: the trial compares networks, not confidences.
    settings = load_settings(weights=weights, allow_uncalibrated=True)
    run_batch(exams, sheets, settings, partial(load_detector, settings, weights))


def _reduced_settings(options: argparse.Namespace) -> FineTuningSettings:
    """The shipped settings, reduced as the options say."""
    return load_fine_tuning_settings(config_path("fine_tuning.toml")).model_copy(
        update={
            "steps": options.steps,
            "batch": options.batch,
            "animals": options.phantoms,
            "held_out_animals": options.phantoms,
            "held_out_pictures": options.held_out,
            "warm_up_steps": max(1, options.steps // 10),
            "report_every_steps": max(1, options.steps // 6),
            "held_out_every_steps": 1000 * max(1, options.steps // 6),
        }
    )


def _review_all(exams: Path, sheets: Path) -> None:
    """Let the simulated reviewer answer and sign every exam that is not signed yet."""
    data_set = open_data_set(exams)
    with closing(Journal(sheets)) as journal, closing(CaseStore(sheets, load_settings(), journal)) as cases:
        answer_service = AnswerService(EventLog(journal))
        for _, folder in cases.folders():
            case = cases.case(folder)
            if case is not None and answer_service.current_review(case).state.signature is None:
                review_exam(answer_service, case, exam_truth(data_set, case.exam.animal))
                _log(f"{case.exam.animal}: {answer_service.current_review(case).state.head} answers")


def _metric_lines(before: DataSetMetrics, after: DataSetMetrics) -> list[str]:
    """The metrics of the batch on other animals of the centre, before and after fine-tuning."""
    # A batch gives both.
    assert before.detection is not None
    assert after.detection is not None
    assert before.counting is not None
    assert after.counting is not None
    shelled_before, shelled_after = before.detection.classes["shelled"], after.detection.classes["shelled"]
    counts_before, counts_after = before.counting.counts, after.counting.counts
    return [
        f"the batch on {len(before.animals)} other animals, {before.frames} frames",
        metric_row("shelled, AP50:95", shelled_before.ap50_95, shelled_after.ap50_95),
        metric_row("shelled, AP50", shelled_before.ap50, shelled_after.ap50),
        metric_row(f"recall at {SCORE_THRESHOLD:g}", shelled_before.recall, shelled_after.recall),
        metric_row(f"precision at {SCORE_THRESHOLD:g}", shelled_before.precision, shelled_after.precision),
        metric_row("mean error of the count", counts_before.mean_absolute_error, counts_after.mean_absolute_error),
        *(
            f"{new.animal}: {new.crossed} crossed, {old.estimate} counted before, {new.estimate} after"
            for old, new in zip(before.animals, after.animals, strict=True)
        ),
    ]


def _report_when_done(task: str) -> Callable[[int, int], None]:
    def progress(done: int, total: int) -> None:
        if done == total:
            _log(f"{task}: {total}")

    return progress


def _log(text: str) -> None:
    sys.stderr.write(text + "\n")


if __name__ == "__main__":
    sys.exit(main())
