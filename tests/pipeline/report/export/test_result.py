"""``result.json``: valid by its published schema, and the same bytes each time."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

import jsonschema  # type: ignore[import-untyped]
import pytest
from jsonschema import Draft202012Validator

from models.stages import Stage
from pipeline.estimate.results import Severity
from pipeline.report.export.result import result_document, result_schema, to_json_bytes
from pipeline.scan.clip_scan import ClipScan

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


@pytest.fixture(scope="module")
def validator() -> Draft202012Validator:
    schema = result_schema()
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema, format_checker=jsonschema.FormatChecker())


def test_every_kind_of_exam_is_valid(
    example_exams: tuple[ExampleExam, ...], returning: ExampleExam, validator: Draft202012Validator
) -> None:
    for example in (*example_exams, returning):
        validator.validate(json.loads(to_json_bytes(result_document(*example.arguments))))


def test_keys_come_in_the_published_order(clutch: ExampleExam) -> None:
    document = result_document(*clutch.arguments)
    assert list(document) == result_schema()["required"]
    assert list(document["clips"][0]) == result_schema()["$defs"]["clip"]["required"]
    assert list(document["eggs"][0]) == result_schema()["$defs"]["egg"]["required"]


def test_values_are_those_of_the_finding(clutch: ExampleExam) -> None:
    document = result_document(*clutch.arguments)
    assert document["schema"] == "clutchlight/exam-result/2"
    assert document["exam"] == "2026-05-14"
    assert document["shelled"] == {"at_least": 5, "estimate": 7, "interval90": [6, 9]}
    assert [clip["status"] for clip in document["clips"]] == ["done", "done", "refused"]
    assert document["clips"][0]["frames_used"] == 400
    assert [flag["severity"] for flag in document["flags"]] == ["vet today", "check", "note"]
    egg = clutch.finding.eggs[0]
    assert document["eggs"][0]["length_mm"] == pytest.approx(egg.length_mm, abs=0.051)
    assert [s["clip"] for s in document["eggs"][0]["sightings"]] == ["left-1.mp4", "right-1.mp4"]


def test_her_other_exams_are_included(returning: ExampleExam, validator: Draft202012Validator) -> None:
    history = result_document(*returning.arguments)["history"]
    assert [one["exam"] for one in history["exams"]] == [
        "2026-04-02", "2026-04-20", "2026-05-01", "2026-05-08", "2026-05-14",
    ]  # fmt: skip
    assert history["exams"][2]["shelled"] is None
    assert history["exams"][1]["listed"] == {"follicle": 1, "thin-shelled": 8, "calcified": 0}
    change = history["change"]
    assert (change["since"], change["days"], change["passed"]["number"]) == ("2026-05-08", 6, 3)
    assert change["fewer"] == {"estimate": 4, "interval90": [2, 5]}
    assert history["together"] == {"estimate": 7, "interval90": [7, 9]}
    assert (history["shells_since"], history["shell_days"]) == ("2026-04-20", 24)
    assert history["usual_clutch"]["range"] == [3, 18]
    assert history["retention_days"] == {"range": [21, 28], "means": None, "sources": "Zuffi 1998"}
    assert list(history) == result_schema()["properties"]["history"]["required"]
    assert list(change) == result_schema()["$defs"]["change"]["required"]


def test_order_of_arrival_does_not_change_the_bytes(clutch: ExampleExam) -> None:
    shuffled = replace(
        clutch,
        scans=clutch.scans[::-1],
        finding=replace(clutch.finding, eggs=clutch.finding.eggs[::-1]),
    )
    assert to_json_bytes(result_document(*shuffled.arguments)) == to_json_bytes(result_document(*clutch.arguments))


def test_a_size_that_could_not_be_measured_is_null(clutch: ExampleExam, validator: Draft202012Validator) -> None:
    eggs = (replace(clutch.finding.eggs[0], length_mm=float("nan"), width_mm=None), *clutch.finding.eggs[1:])
    document = result_document(
        clutch.exam, replace(clutch.finding, eggs=eggs), clutch.scans, clutch.model, clutch.settings_sha256
    )
    validator.validate(document)
    assert document["eggs"][0]["length_mm"] is None
    assert document["eggs"][0]["width_mm"] is None


def test_a_probability_of_nan_is_rejected(clutch: ExampleExam) -> None:
    finding = replace(clutch.finding, confidence=float("nan"))
    with pytest.raises(ValueError, match="JSON"):
        to_json_bytes(result_document(clutch.exam, finding, clutch.scans, clutch.model, clutch.settings_sha256))


def test_a_file_name_that_is_not_unicode_can_be_read_back(refused: ExampleExam) -> None:
    odd = "left-\udcff.mp4"
    scans = (replace(refused.scans[0], file=odd), refused.scans[1])
    document = result_document(refused.exam, refused.finding, scans, refused.model, refused.settings_sha256)
    assert odd in [clip["file"] for clip in json.loads(to_json_bytes(document).decode())["clips"]]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("surplus",), 1),
        (("clips", 0, "surplus"), 1),
        (("clips", 0, "window"), "rear"),
        (("clips", 2, "reason"), None),
        (("clips", 0, "reason"), 3),
        (("stage", "overall"), "none"),
        (("confidence",), 1.2),
        (("shelled", "interval90"), [1, 2, 3]),
        (("shelled", "estimate"), -1),
        (("eggs", 0, "id"), 0),
        (("exam",), "14.5.2026"),
        (("model", "sha256"), "abc"),
    ],
)
def test_the_schema_is_strict(clutch: ExampleExam, validator: Draft202012Validator, path: Any, value: Any) -> None:
    document = result_document(*clutch.arguments)
    place = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert not validator.is_valid(document)


def test_the_schema_has_the_values_of_the_types() -> None:
    schema = result_schema()
    scan = get_type_hints(ClipScan)
    clip = schema["$defs"]["clip"]["properties"]
    assert set(clip["scale_source"]["enum"]) == set(get_args(scan["scale_source"]))
    assert set(clip["status"]["enum"]) == set(get_args(scan["status"]))
    assert set(schema["$defs"]["egg"]["properties"]["stage"]["enum"]) == set(get_args(Stage))
    severity = schema["properties"]["flags"]["items"]["properties"]["severity"]["enum"]
    assert set(severity) == set(get_args(Severity))
