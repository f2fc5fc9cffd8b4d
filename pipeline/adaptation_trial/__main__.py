"""Teach a network one centre's recordings, from films to figures; see the package.

    python -m pipeline.adaptation_trial --out DIR [--seed S] [--animals N] [--other-animals N] [--frames-per-clip N] [--steps N]

The network is the shipped one and the settings are configs/training_labels.toml, with as many steps, pictures and
phantoms as stated by the options, since whole runs want a GPU. What is in DIR already is not made twice.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
from collections.abc import Callable
from pathlib import Path

from configs.reading import config_path
from models.runtime import make_engine, shipped_weights
from pipeline.adaptation_trial.simulated_reviewer import exam_truth, review_exam
from pipeline.batch.run import run_batch
from pipeline.bench.data_set_metrics import DataSetMetrics, measure_data_set
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.label_metrics import compare_networks_on_labels, metric_row
from pipeline.detect.detector import Detector
from pipeline.labels.reader import read_labels
from pipeline.labels.writer import write_labels
from pipeline.review.answer_service import AnswerService
from pipeline.review.cases import CaseStore
from pipeline.review.event_log import EventLog
from pipeline.settings import load_settings
from pipeline.store.atomic_write import write_atomically
from synthetic.film.clips import write_subjects
from synthetic.film.unseen_animals import unseen_subjects
from synthetic.training.fine_tuning import FineTuningSettings, load_fine_tuning_settings, run_fine_tuning
from synthetic.training.training_device import training_device

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    """Print the figures before and after, and write them to DIR/figures.json."""
    chosen = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.WARNING)
    out: Path = chosen.out
    settings, shipped = load_settings(), shipped_weights()

    def batch(exams: Path, sheets: Path, weights: Path) -> None:
        engine = make_engine("openvino", weights, threads=len(os.sched_getaffinity(0)))
        run_batch(exams, sheets, settings, lambda: Detector(engine, settings.detect))

    own, others = out / "own", out / "others"
    for folder, animals, seed in ((own, chosen.animals, chosen.seed), (others, chosen.other_animals, chosen.seed + 1)):
        if not (folder / "coco.json").is_file():
            subjects = unseen_subjects(animals, seed, frames=chosen.frames_per_clip)
            write_subjects(folder, subjects, seed=seed, progress=_telling(f"filming {folder.name}"))
    batch(own, out / "sheets", shipped)
    _review_all(own, out / "sheets")
    written = write_labels(out / "sheets", out / "labels", settings, _telling("labels"))
    _say(f"{written.exams} signed exams, {written.frames} frames, {written.outlines} eggs, {written.ignored} left open")
    wanted = _reduced(chosen)
    labelled = read_labels(out / "labels", max_frames_per_clip=wanted.max_frames_per_clip)
    weights = out / "own.safetensors"
    change = run_fine_tuning(
        wanted,
        weights,
        start=shipped,
        labelled=labelled,
        device=training_device(),
        report=lambda progress: _say(f"step {progress.step} of {progress.steps}"),
        allow_regression=True,
    )
    on_labels = compare_networks_on_labels(labelled, shipped, weights)
    figures = []
    for name, network in (("before", shipped), ("after", weights)):
        batch(others, out / name, network)
        figures.append(measure_data_set(open_data_set(others), out / name, settings.sizes))
    document = {
        "change": change.document(),
        "labels": on_labels.document(),
        "others": {name: each.document() for name, each in zip(("before", "after"), figures, strict=True)},
    }
    write_atomically(out / "figures.json", [json.dumps(document, indent=2).encode()])
    sys.stdout.write("\n".join([*change.lines(), on_labels.table(), *_lines(*figures), ""]))
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Teaches a network one centre's recordings, from films to figures.")
    parser.add_argument("--out", required=True, type=Path, help="folder for all that is made")
    parser.add_argument("--seed", type=int, default=15001, help="of the centre's animals; the next one of the others")
    parser.add_argument("--animals", type=int, default=6, help="that are reviewed, a quarter of them held back")
    parser.add_argument("--other-animals", type=int, default=4, help="that the batch is measured by, before and after")
    parser.add_argument("--frames-per-clip", type=int, default=90, help="of each clip")
    parser.add_argument("--steps", type=int, default=60, help="of the training")
    parser.add_argument("--batch", type=int, default=16, help="pictures a step, half of them phantoms")
    parser.add_argument("--phantoms", type=int, default=40, help="that pictures are cut from, and as many held out")
    parser.add_argument("--held-out", type=int, default=128, help="pictures of held-out phantoms")
    return parser


def _reduced(chosen: argparse.Namespace) -> FineTuningSettings:
    """The shipped settings, shortened."""
    return load_fine_tuning_settings(config_path("training_labels.toml")).model_copy(
        update={
            "steps": chosen.steps,
            "batch": chosen.batch,
            "animals": chosen.phantoms,
            "held_out_animals": chosen.phantoms,
            "held_out_pictures": chosen.held_out,
            "warm_up_steps": max(1, chosen.steps // 10),
            "report_every_steps": max(1, chosen.steps // 6),
            "held_out_every_steps": 1000 * max(1, chosen.steps // 6),
        }
    )


def _review_all(exams: Path, sheets: Path) -> None:
    """Let the reader answer and sign every exam that is not signed yet."""
    data_set = open_data_set(exams)
    cases, event_log = CaseStore(sheets, load_settings()), EventLog(sheets)
    answer_service = AnswerService(event_log)
    for summary in cases.summaries():
        case = cases.case(summary.folder)
        if case is not None and answer_service.current_review(case).state.signature is None:
            review_exam(answer_service, case, exam_truth(data_set, case.exam.animal))
            _say(f"{case.exam.animal}: {answer_service.current_review(case).state.head} answers")
    cases.close()
    event_log.close()


def _lines(before: DataSetMetrics, after: DataSetMetrics) -> list[str]:
    """The batch's figures on other animals of the centre."""
    one, other = before.detection.classes["shelled"], after.detection.classes["shelled"]
    return [
        f"the batch on {len(before.animals)} other animals, {before.frames} frames",
        metric_row("shelled, AP50:95", one.ap50_95, other.ap50_95),
        metric_row("shelled, AP50", one.ap50, other.ap50),
        metric_row("recall at 0.5", one.recall, other.recall),
        metric_row("precision at 0.5", one.precision, other.precision),
        metric_row("mean error of the count", before.counting.counts.mean_absolute_error, after.counting.counts.mean_absolute_error),
        *(
            f"{two.animal}: {two.crossed} crossed, {one.estimate} counted before, {two.estimate} after"
            for one, two in zip(before.animals, after.animals, strict=True)
        ),
    ]


def _telling(what: str) -> Callable[[int, int], None]:
    def tell(done: int, total: int) -> None:
        if done == total:
            _say(f"{what}: {total}")

    return tell


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


if __name__ == "__main__":
    sys.exit(main())
