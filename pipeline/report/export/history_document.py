"""What ``result.json`` tells of an animal's other exams."""

from __future__ import annotations

from typing import Any

from pipeline.estimate.results import Change, Difference, History, PassedEggs, Visit
from pipeline.exams.species import ReferenceRange

__all__ = ["history_document"]


def history_document(history: History) -> dict[str, Any]:
    """Keys in the published order; what is not known is null."""
    return {
        "exams": [_visit(*pair) for pair in zip(history.visits, history.passed, strict=True)],
        "change": None if history.change is None else _change(history.change),
        "passed_of_clutch": _passed(history.passed_of_clutch),
        "together": None if history.together is None else _difference(history.together),
        "usual_clutch": _known(history.usual_clutch),
        "shells_since": None if history.shells_since is None else history.shells_since.isoformat(),
        "shell_days": history.shell_days,
        "retention_days": _known(history.retention),
    }


def _visit(visit: Visit, passed: PassedEggs) -> dict[str, Any]:
    follicle, thin_shelled, calcified = visit.listed
    return {
        "exam": visit.date.isoformat(),
        "scanned": visit.is_scanned,
        "shelled": _count(visit, "shelled"),
        "follicles": _count(visit, "follicles"),
        "stage": visit.stage if visit.is_scanned else None,
        "listed": {"follicle": follicle, "thin-shelled": thin_shelled, "calcified": calcified},
        "passed": _passed(passed),
    }


def _count(visit: Visit, kind: str) -> dict[str, Any] | None:
    if not visit.is_scanned:
        return None
    count = visit.shelled if kind == "shelled" else visit.follicles
    return {"estimate": count.estimate, "interval90": list(count.interval90)}


def _change(change: Change) -> dict[str, Any]:
    return {
        "since": change.since.isoformat(),
        "days": change.days,
        "fewer": _difference(change.fewer),
        "fewer_follicles": _difference(change.fewer_follicles),
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


def _difference(difference: Difference) -> dict[str, Any]:
    return {"estimate": difference.estimate, "interval90": list(difference.interval90)}


def _known(known: ReferenceRange | None) -> dict[str, Any] | None:
    if known is None:
        return None
    return {
        "range": None if known.bounds is None else list(known.bounds),
        "means": None if known.means is None else list(known.means),
        "sources": known.sources,
    }
