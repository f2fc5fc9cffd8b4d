"""``result.json``: what the program says of one exam, in a published form.

The form is described by ``exam-result-1.schema.json`` beside this
module; a change of meaning gets a new number.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from pipeline.estimate.finding import Count, EggFinding, ExamFinding, Flag
from pipeline.exams import Exam
from pipeline.report.evidence import in_order, sightings_in_order
from pipeline.report.history_document import history_document
from pipeline.scan import ClipScan

__all__ = [
    "ModelIdentity",
    "dumps",
    "flags_by_severity",
    "millimetres",
    "probability",
    "result_document",
    "result_schema",
]

SEVERITIES = ("vet today", "check", "note")


@dataclass(frozen=True)
class ModelIdentity:
    """name : of the weights;  sha256 : of the weights file, hexadecimal."""

    name: str
    sha256: str


def result_document(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
) -> dict[str, Any]:
    """The exam's result as the mapping behind ``result.json``, keys in the published order.

    Probabilities are rounded to 0.001 and millimetres to 0.1, finer than either is known. A size that could
    not be told (None or NaN) is null.
    """
    return {
        "schema": "clutchlight/exam-result/1",
        "animal": exam.animal,
        "exam": exam.date.isoformat(),
        "species": exam.species,
        "model": {"name": model.name, "sha256": model.sha256},
        "settings_sha256": settings_sha256,
        "clips": [_clip(scan) for scan in in_order(scans)],
        "shelled": _count(finding.shelled),
        "follicles": _count(finding.follicles),
        "stage": {"overall": finding.stage, "probability": probability(finding.stage_probability)},
        "confidence": probability(finding.confidence),
        "flags": [
            {"code": flag.code, "severity": flag.severity, "reason": flag.reason, "advice": flag.advice}
            for flag in flags_by_severity(finding.flags)
        ],
        "eggs": [_egg(egg) for egg in sorted(finding.eggs, key=lambda egg: egg.identity)],
        "history": history_document(finding.history),
    }


def dumps(document: dict[str, Any]) -> bytes:
    """The document as UTF-8 JSON, the same bytes for the same document. Raises ValueError on NaN.

    A file name that is no valid Unicode stays readable: what cannot be encoded becomes a JSON escape.
    """
    return (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n").encode(
        "utf-8", "backslashreplace"
    )


def result_schema() -> dict[str, Any]:
    """The published JSON Schema (draft 2020-12) of ``result.json``."""
    text = files("pipeline.report").joinpath("exam-result-1.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def flags_by_severity(flags: Sequence[Flag]) -> list[Flag]:
    """The most urgent first; equals by code."""
    return sorted(flags, key=lambda flag: (SEVERITIES.index(flag.severity), flag.code, flag.reason))


def _clip(scan: ClipScan) -> dict[str, Any]:
    return {
        "file": scan.file,
        "sha256": scan.sha256,
        "window": scan.window,
        "frames": scan.frames,
        "frames_used": len(scan.used),
        "mm_per_px": None if scan.mm_per_px is None else round(scan.mm_per_px, 6),
        "scale_source": scan.scale_source,
        "scale_note": scan.scale_note,
        "status": scan.status,
        "reason": scan.reason,
    }


def _count(count: Count) -> dict[str, Any]:
    return {
        "at_least": count.at_least,
        "estimate": count.estimate,
        "interval90": list(count.interval90),
    }


def _egg(egg: EggFinding) -> dict[str, Any]:
    return {
        "id": egg.identity,
        "stage": egg.stage,
        "stage_probability": probability(egg.stage_probability),
        "confidence": probability(egg.confidence),
        "shape": egg.shape,
        "length_mm": millimetres(egg.length_mm),
        "width_mm": millimetres(egg.width_mm),
        "depth_mm": millimetres(egg.depth_mm),
        "sightings": [
            {
                "clip": sighting.clip,
                "first_frame": sighting.first_frame,
                "last_frame": sighting.last_frame,
                "best_frame": sighting.best_frame,
            }
            for sighting in sightings_in_order(egg)
        ],
    }


def probability(value: float) -> float:
    """Rounded to 0.001."""
    return round(float(value), 3)


def millimetres(value: float | None) -> float | None:
    """Rounded to 0.1; None where the size could not be told."""
    return None if value is None or math.isnan(value) else round(float(value), 1)
