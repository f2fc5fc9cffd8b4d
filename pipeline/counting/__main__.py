"""Learn on phantoms how far the counts can be trusted, and write it down.

    python -m pipeline.counting DATASET... --out DIR [--write configs/counting.toml] [--weights FILE]

To be run again after every change of the network, the tracker or the merging. Data sets are folders with truth, as
``clutchlight phantoms`` writes them, of seeds on which nothing is reported; a hundred animals do. The batch's results
stay in DIR, so that a second run reads no clip again.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from pathlib import Path

from models.runtime import make_engine, shipped_weights
from pipeline.batch import run_batch
from pipeline.bench.truth import open_data_set
from pipeline.counting.learning import learn
from pipeline.counting.lessons import Lesson, read_lessons
from pipeline.counting.written import counting_toml
from pipeline.detect import Detector
from pipeline.report.files import write_whole
from pipeline.settings import load_settings

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    """Print what was learned as TOML, or write it."""
    parser = argparse.ArgumentParser(description="Learns on phantoms how far the counts can be trusted.")
    parser.add_argument("data_sets", nargs="+", type=Path, metavar="DATASET", help="folders with exams and truth")
    parser.add_argument("--out", required=True, type=Path, help="folder for the batch's results, outside the data sets")
    parser.add_argument("--write", type=Path, metavar="FILE", help="file to write instead of printing")
    parser.add_argument("--weights", type=Path, metavar="FILE", help="network, by default the shipped one")
    parser.add_argument("--engine", default="openvino", help="engine of the network")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.WARNING)
    settings = load_settings()
    engine = make_engine(chosen.engine, chosen.weights or shipped_weights(), threads=len(os.sched_getaffinity(0)))
    detector = Detector(engine, settings.detect)
    lessons: list[Lesson] = []
    for number, folder in enumerate(chosen.data_sets, 1):
        data_set = open_data_set(folder)
        results = chosen.out / f"{number}-{data_set.name}"
        run_batch(data_set.exams, results, settings, lambda: detector)
        lessons += read_lessons(data_set, results, detector, settings)
    learned = counting_toml(
        learn(lessons, settings),
        command=f"python -m pipeline.counting {' '.join(folder.name for folder in chosen.data_sets)}",
        animals=len(lessons),
        network=engine.weights_sha256,
    )
    if chosen.write is None:
        sys.stdout.write(learned)
    else:
        write_whole(chosen.write, [learned.encode()])
    return 0


if __name__ == "__main__":
    sys.exit(main())
