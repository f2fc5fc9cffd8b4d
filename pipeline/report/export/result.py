"""``result.json``: the program's result for one exam, in a published format.

``exam-result-2.schema.json`` in this package describes the format. If a meaning changes, the format gets a new number.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from models.stages import STAGES
from pipeline.estimate.results import Count, EggFinding, EggSigns, ExamFinding, Sighting
from pipeline.exams.exam import Exam
from pipeline.report.export.history_document import history_document
from pipeline.report.sightings import sorted_scans, sorted_sightings
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "ModelIdentity",
    "result_document",
    "result_schema",
    "round_mm",
    "round_probability",
    "to_json_bytes",
]


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
    """The exam's result as JSON values, keys in the published order.

    Probabilities are rounded to 0.001 and millimetres to 0.1, finer than either is known. A size that could not be
    measured (None or NaN) is null.
    """
    return {
        "schema": "clutchlight/exam-result/2",
        "animal": exam.animal,
        "exam": exam.date.isoformat(),
        "species": exam.species,
        "model": {"name": model.name, "sha256": model.sha256},
        "settings_sha256": settings_sha256,
        "clips": [_clip(scan) for scan in sorted_scans(scans)],
        "shelled": _count(finding.shelled),
        "follicles": _count(finding.follicles),
        "stage": {"overall": finding.stage, "probability": round_probability(finding.stage_probability)},
        "confidence": round_probability(finding.confidence),
        "follicles_confidence": round_probability(finding.follicles_confidence),
        "flags": [
            {
                "code": flag.code,
                "severity": flag.severity,
                "reason": flag.reason,
                "advice": flag.advice,
                "rescan": flag.rescan,
                "sources": flag.sources,
            }
            for flag in finding.flags
        ],
        "eggs": [_egg(egg) for egg in sorted(finding.eggs, key=lambda egg: egg.identity)],
        "uncounted": [
            {
                "id": one.identity,
                "stage": one.stage,
                "confidence": round_probability(one.confidence),
                "sightings": _sightings(sorted_sightings(one)),
            }
            for one in finding.uncounted
        ],
        "history": history_document(finding.history),
    }


def to_json_bytes(document: dict[str, Any]) -> bytes:
    """The document as UTF-8 JSON, the same bytes for the same document. Raises ValueError on NaN.

    A file name that is not valid Unicode stays readable: what cannot be encoded becomes a JSON escape.
    """
    return (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n").encode(
        "utf-8", "backslashreplace"
    )


def result_schema() -> dict[str, Any]:
    """The published JSON Schema (draft 2020-12) of ``result.json``."""
    text = files("pipeline.report.export").joinpath("exam-result-2.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _clip(scan: ClipScan) -> dict[str, Any]:
    return {
        "file": scan.file,
        "sha256": scan.sha256,
        "window": scan.window,
        "frames": scan.frames,
        "frames_used": len(scan.used_frames),
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
        "stage_probability": round_probability(egg.stage_probability),
        "stages": _stages(egg.stages),
        "network_stages": _stages(egg.network_stages),
        "confidence": round_probability(egg.confidence),
        "shape": egg.shape,
        "oval_probability": None if egg.oval_probability is None else round_probability(egg.oval_probability),
        "length_mm": round_mm(egg.length_mm),
        "length_interval90_mm": _interval(egg.length_interval90_mm),
        "width_mm": round_mm(egg.width_mm),
        "width_interval90_mm": _interval(egg.width_interval90_mm),
        "depth_mm": round_mm(egg.depth_mm),
        "signs": None if egg.signs is None else _signs(egg.signs),
        "sightings": _sightings(sorted_sightings(egg)),
    }


def _sightings(sightings: Sequence[Sighting]) -> list[dict[str, Any]]:
    return [
        {
            "clip": sighting.clip,
            "first_frame": sighting.first_frame,
            "last_frame": sighting.last_frame,
            "best_frame": sighting.best_frame,
        }
        for sighting in sightings
    ]


def _stages(stages: tuple[float, float, float] | None) -> dict[str, float] | None:
    return None if stages is None else {name: round_probability(one) for name, one in zip(STAGES, stages, strict=True)}


def _interval(range_mm: tuple[float, float] | None) -> list[float] | None:
    return None if range_mm is None else [round(end, 1) for end in range_mm]


def _signs(signs: EggSigns) -> dict[str, Any]:
    """Decibels and grey levels are rounded to 0.1, rim_mm to 0.01."""

    def rounded(value: float | None, digits: int = 1) -> float | None:
        return None if value is None else round(value, digits)

    return {
        "rim_db": rounded(signs.rim_db),
        "rim_at_least": signs.rim_at_least,
        "rim_mm": rounded(signs.rim_mm, 2),
        "shadow_db": rounded(signs.shadow_db),
        "shadow_at_least": signs.shadow_at_least,
        "interior_db": rounded(signs.interior_db),
        "interior": signs.interior,
        "shown_range_db": signs.shown_range_db,
        "frames": signs.frames,
        "grey": {name: rounded(value) for name, value in signs.grey.items()},
    }


def round_probability(value: float) -> float:
    """Rounded to 0.001."""
    return round(float(value), 3)


def round_mm(value: float | None) -> float | None:
    """Rounded to 0.1. None if the size could not be measured."""
    return None if value is None or math.isnan(value) else round(float(value), 1)
