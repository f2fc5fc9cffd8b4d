"""What runs in processes that are attacked: ``python -m pipeline.attacks.victim night|answers|review ...``.

night ROOT OUT : a batch without a network, which says when it begins
answers OUT : adds entries to the people's file, and says the number of each when it is stored
review OUT PORT : the review as behind a proxy, which says when it listens
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector

__all__ = ["HOSTNAME", "SlowDetector"]

HOSTNAME = "clutch.station.lan"
BATCH_S = 0.02  # so that there is time to kill the run within a clip


class SlowDetector(BlindDetector):
    """Finds nothing, and takes its time."""

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        time.sleep(BATCH_S)
        return super().detect(frames, sector)


def _say(words: object) -> None:
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def _night(root: Path, out: Path) -> int:
    from pipeline.batch.events import BatchEvent, RunPlanned
    from pipeline.batch.run import run_batch
    from pipeline.settings import load_settings

    def on_event(event: BatchEvent) -> None:
        if isinstance(event, RunPlanned):
            _say("begun")

    report = run_batch(root, out, load_settings(), SlowDetector, on_event=on_event)
    return int(report.failure is not None or any(exam.reason is not None for exam in report.exams))


def _answers(out: Path) -> int:
    from pipeline.people.journal import Journal

    with closing(Journal(out)) as journal:
        while True:
            with journal.writing() as writer:
                number = writer.append("restore", {"n": writer.tip.length}).number
            _say(number)


def _review(out: Path, port: int) -> int:
    from pipeline.review.web.run_server import ServerOptions, serve
    from pipeline.settings import load_settings

    options = ServerOptions("127.0.0.1", port, (HOSTNAME,), ("127.0.0.1",), None, None, needs_login=True)
    serve(out, load_settings(), options, _say)
    return 0


if __name__ == "__main__":
    what, *rest = sys.argv[1:]
    if what == "night":
        sys.exit(_night(Path(rest[0]), Path(rest[1])))
    sys.exit(_answers(Path(rest[0])) if what == "answers" else _review(Path(rest[0]), int(rest[1])))
