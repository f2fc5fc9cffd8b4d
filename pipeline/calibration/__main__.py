"""Learn on phantoms how far the counts can be trusted, and write it down.

    python -m pipeline.calibration DATASET... --out DIR [--write configs/counting.toml] [--weights FILE]

To be run again after every change of the network, the tracker or the merging. Data sets are folders with truth, as
``clutchlight phantoms`` writes them, of seeds on which nothing is reported; a hundred animals do. The batch's results
stay in DIR, so that a second run reads no clip again.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from models.errors import ClutchlightError
from models.runtime import make_engine, shipped_weights
from pipeline.batch.events import BatchEvent, ExamFinished
from pipeline.batch.run import run_batch
from pipeline.bench.ground_truth import open_data_set
from pipeline.calibration.count_calibration import calibrate_counts
from pipeline.calibration.count_calibration_file import count_calibration_toml
from pipeline.calibration.training_exams import TrainingExam, read_training_exams
from pipeline.detect.detector import Detector
from pipeline.settings import load_settings
from pipeline.store.atomic_write import write_atomically
from pipeline.store.lock import LockedError

__all__ = ["main"]

_PURPOSE = "Learns on phantoms how far the counts can be trusted. The same command goes on where it was stopped."


def main(arguments: list[str] | None = None) -> int:
    """Print what was learned as TOML, or write it; each exam is told on stderr as it is done. Returns an exit code."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.calibration", description=_PURPOSE)
    parser.add_argument("data_sets", nargs="+", type=Path, metavar="DATASET", help="folders with exams and truth")
    parser.add_argument("--out", required=True, type=Path, help="folder for the batch's results, outside the data sets")
    parser.add_argument("--write", type=Path, metavar="FILE", help="file to write instead of printing")
    parser.add_argument("--weights", type=Path, metavar="FILE", help="network, by default the shipped one")
    parser.add_argument("--engine", default="openvino", help="engine of the network")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.WARNING)
    try:
        learned = _learned(chosen.data_sets, chosen.out, chosen.engine, chosen.weights or shipped_weights())
        if chosen.write is None:
            sys.stdout.write(learned)
        else:
            write_atomically(chosen.write, [learned.encode()])
    except KeyboardInterrupt:
        return _failed("Interrupted. Run the same command again to go on; finished clips are kept.", 130)
    except LockedError as error:
        return _failed(str(error), 75)
    except ClutchlightError as error:
        return _failed(str(error), 2)
    return 0


def _learned(folders: Sequence[Path], out: Path, engine: str, weights: Path) -> str:
    given = load_settings()
    detector = Detector(make_engine(engine, weights, threads=len(os.sched_getaffinity(0))), given.detect)
    data_sets = [open_data_set(folder) for folder in folders]
    training_exams: list[TrainingExam] = []
    for number, data_set in enumerate(data_sets, 1):
        results = out / f"{number}-{data_set.name}"
        # As `clutchlight bench` reads them, so that neither reads a clip again.
        settings = given.with_probe_path() if data_set.has_probe_paths else given
        run_batch(data_set.exams_root, results, settings, lambda: detector, on_event=_tell)
        training_exams += read_training_exams(data_set, results, detector, settings)
    return count_calibration_toml(
        calibrate_counts(training_exams, given),
        command=f"python -m pipeline.calibration {' '.join(folder.name for folder in folders)}",
        animals=len(training_exams),
        network=detector.model.sha256,
    )


def _tell(event: BatchEvent) -> None:
    if isinstance(event, ExamFinished):
        sys.stderr.write(f"{event.report.animal} {event.report.date}: {event.report.status}\n")


def _failed(sentence: str, code: int) -> int:
    sys.stderr.write(f"{sentence}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
