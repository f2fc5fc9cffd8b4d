"""Count turtle eggs in recorded ultrasound clips: from folders of recordings to results and sheets.

The packages in the order in which data flows: ``exams`` (find exams), ``ingest`` (clip to frames), ``detect`` (frames
to detections), ``track`` (detections to tracks and eggs), ``scan`` (one clip, read once), ``estimate`` (counts, stages,
sizes), ``store`` (the database), ``people`` (what people said), ``report`` (sheets and files), ``batch`` (the nightly
run), ``review`` (people correct and sign), ``labels``, ``calibration``, ``agreement`` and ``bench`` (learn from
results, and measure them), and ``cli`` (the command line).

The public API is what ``__all__`` lists; everything else may change between versions. The names are imported when they
are first used, so that ``import pipeline`` stays quick. The estimate of one exam, step by step:

>>> from pathlib import Path
>>> from pipeline import clip_coverage, estimate_exam, find_exams, load_detector, load_settings, scan_clip
>>> settings = load_settings()
>>> detector = load_detector(settings)
>>> search = find_exams(Path("recordings"))
>>> exam = search.exams[0]
>>> scans = [scan_clip(clip, "", detector, settings) for clip in exam.clips if clip.refusal is None]
>>> tracks = [scan.tracks for scan in scans if scan.status == "done"]
>>> finding = estimate_exam(exam, tracks, [clip_coverage(scan) for scan in scans], settings)
>>> finding.shelled.at_least <= finding.shelled.estimate
True

To process a whole folder and write its sheets, use ``clutchlight batch`` or
`pipeline.review.batch_with_signatures.run_batch_with_signatures`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.detect.detector_loading import load_detector
    from pipeline.estimate.exam_estimate import estimate_exam
    from pipeline.exams.exam_search import find_exams
    from pipeline.locations.location import location
    from pipeline.scan.clip_scan import scan_clip
    from pipeline.scan.coverage import clip_coverage
    from pipeline.settings import load_settings

    __version__: str

__all__ = [
    "__version__",
    "clip_coverage",
    "estimate_exam",
    "find_exams",
    "load_detector",
    "load_settings",
    "location",
    "scan_clip",
]

_MODULES = {
    "clip_coverage": "pipeline.scan.coverage",
    "estimate_exam": "pipeline.estimate.exam_estimate",
    "find_exams": "pipeline.exams.exam_search",
    "load_detector": "pipeline.detect.detector_loading",
    "load_settings": "pipeline.settings",
    "location": "pipeline.locations.location",
    "scan_clip": "pipeline.scan.clip_scan",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return _version()
    if name in _MODULES:
        return getattr(import_module(_MODULES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def _version() -> str:
    """The version in pyproject.toml, as the installed package states it."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("clutchlight")
    except PackageNotFoundError:
        return "0+not-installed"
