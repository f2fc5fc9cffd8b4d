"""The part of ``result.json`` about an animal's other exams."""

from __future__ import annotations

from typing import Any

from pipeline.estimate.results import Change, Count, Difference, History, PassedEggs, Visit
from pipeline.exams.species import ReferenceRange

__all__ = ["history_document"]


def history_document(history: History) -> dict[str, Any]:
    """Keys are in the published order. Unknown values are null."""
    return {
        "exams": [_visit(*pair) for pair in zip(history.visits, history.passed, strict=True)],
        "change": None if history.change is None else _change(history.change),
        "passed_of_clutch": _passed(history.passed_of_clutch),
        "together": None if history.together is None else _count(history.together),
        "usual_clutch": _reference_range(history.usual_clutch),
        "shells_since": None if history.shells_since is None else history.shells_since.isoformat(),
        "shell_days": history.shell_days,
        "retention_days": _reference_range(history.retention),
    }


def _visit(visit: Visit, passed: PassedEggs) -> dict[str, Any]:
    follicle, thin_shelled, calcified = visit.listed
    return {
        "exam": visit.date.isoformat(),
        "scanned": visit.is_scanned,
        "shelled": _count(visit.shelled) if visit.is_scanned else None,
        "follicles": _count(visit.follicles) if visit.is_scanned else None,
        "stage": visit.stage if visit.is_scanned else None,
        "listed": {"follicle": follicle, "thin-shelled": thin_shelled, "calcified": calcified},
        "passed": _passed(passed),
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "since": change.since.isoformat(),
        "days": change.days,
        "fewer": _count(change.fewer),
        "fewer_follicles": _count(change.fewer_follicles),
        "passed": _passed(change.passed),
        "probability": {
            "missing": round(change.missing, 3),
            "risen": round(change.risen, 3),
            "new_follicles": round(change.new_follicles, 3),
            "regressed": round(change.regressed, 3),
        },
    }


def _passed(passed: PassedEggs) -> dict[str, Any]:
    return {"number": passed.number, "all_counted": passed.is_whole}


def _count(count: Count | Difference) -> dict[str, Any]:
    return {"estimate": count.estimate, "interval90": list(count.interval90)}


def _reference_range(reference: ReferenceRange | None) -> dict[str, Any] | None:
    if reference is None:
        return None
    return {
        "range": None if reference.bounds is None else list(reference.bounds),
        "means": None if reference.means is None else list(reference.means),
        "sources": reference.sources,
    }
