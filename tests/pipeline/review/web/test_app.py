"""The pages and routes: what they show, what they store, and that the counts follow."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from pipeline.batch.run import run_batch
from pipeline.detect.detector import Detections, ModelInfo
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.review.frame_cache import FrameUnavailableError
from tests.pipeline.blob_finder import BlobFinder
from tests.pipeline.review.conftest import (
    EXAM,
    SCRIPT_ANIMAL,
    SCRIPT_SPECIES,
    SETTINGS,
    UNCERTAIN_EXAM,
    Served,
    Visitor,
    writing,
)


def state(visitor: Visitor, exam: str = EXAM) -> Any:
    return visitor.client.get(f"{exam}/state").json()


def test_the_worklist_links_to_the_exams_and_filters_them(vet: Visitor) -> None:
    page = vet.client.get("/").text
    assert all(f"/exams/AF-041{n}" in page for n in (2, 3, 5))
    only = vet.client.get("/", params={"animal": "af-0413"}).text
    assert "AF-0413" in only
    assert "AF-0412" not in only
    assert "No exams match" in vet.client.get("/", params={"day": "2020-01-01"}).text
    assert "No exams match" in vet.client.get("/", params={"show": "signed"}).text
    assert vet.client.get("/", params={"show": "everything"}).status_code == 422
    assert vet.client.get(EXAM).status_code == 200
    assert vet.client.get("/exams/AF-9999/2026-05-14").status_code == 404


def test_the_worklist_names_what_is_uncertain_and_exams_lead_to_their_neighbours(vet: Visitor) -> None:
    page = vet.client.get("/").text
    assert page.count("1 uncertain, not counted") == 1
    links = re.findall(r'<td class="animal"><a href="([^"]+)"', page)
    assert len(links) > 3
    for before, here, after in zip(links, links[1:], links[2:], strict=False):
        exam = vet.client.get(here).text
        assert f'<a rel="prev" href="{before}">' in exam
        assert f'<a rel="next" href="{after}">' in exam
    assert 'rel="prev"' not in vet.client.get(links[0]).text


def test_an_answer_is_stored_and_the_counts_follow(vet: Visitor, served: Served) -> None:
    before = state(vet)
    first = before["eggs"][0]
    number = int(before["now"]["figure"])
    answer = {"kind": "not-egg", "eggs": [first["segments"]]}
    response = vet.submit(answer, request_id="request-1")
    assert response.status_code == 200, response.text
    after = response.json()["state"]
    assert int(after["now"]["figure"]) == number - 1
    assert after["program"] == before["program"]
    assert after["eggs"][0]["verdict"] == "not-egg"
    assert after == state(vet)
    (event,) = served.context.event_log.events(served.context.case("AF-0412", "2026-05-14").key)
    assert (event.person, event.sequence) == ("Orla Finch", 1)
    assert (event.before["shelled"][1], event.after["shelled"][1]) == (number, number - 1)
    assert event.after["eggs"]["1"]["verdict"] == "not-egg"


def test_an_exam_is_not_signed_before_its_uncertain_candidate_is_answered(vet: Visitor) -> None:
    (egg,) = state(vet, UNCERTAIN_EXAM)["eggs"]
    assert (egg["must_answer"], egg["counted"], egg["description"]) == (True, False, "uncertain, not counted")
    refused = vet.submit({"kind": "signed"}, request_id="request-1", exam=UNCERTAIN_EXAM)
    assert (refused.status_code, refused.json()["reason"][:21]) == (409, "Number 1 is uncertain")
    answer = {"kind": "uncertain", "eggs": [egg["segments"]]}
    after = vet.submit(answer, request_id="request-2", exam=UNCERTAIN_EXAM).json()["state"]
    assert (after["eggs"][0]["verdict"], after["now"]) == ("uncertain", after["program"])
    assert vet.submit({"kind": "signed"}, request_id="request-3", exam=UNCERTAIN_EXAM).status_code == 200


def test_undone_answers_are_marked_and_not_counted(vet: Visitor) -> None:
    segments = state(vet)["eggs"][0]["segments"]
    for number, answer in enumerate(({"kind": "egg", "eggs": [segments]}, {"kind": "undo"}), 1):
        after = vet.submit(answer, request_id=f"request-{number}").json()["state"]
    assert [event["undone"] for event in after["history"]] == [True, False]
    assert "not started" in vet.client.get("/", params={"animal": "AF-0412"}).text
    vet.submit({"kind": "redo"}, request_id="request-3")
    assert "1 answer" in vet.client.get("/", params={"animal": "AF-0412"}).text


def test_remarks_stand_with_their_egg(vet: Visitor) -> None:
    segments = state(vet)["eggs"][1]["segments"]
    vet.submit({"kind": "comment", "text": "fissure?", "egg": segments}, request_id="request-1")
    after = vet.submit({"kind": "comment", "text": "scan again"}, request_id="request-2").json()["state"]
    assert [[one["what"] for one in egg["remarks"]] for egg in after["eggs"][:3]] == [[], ["commented: fissure?"], []]
    assert [one["what"] for one in after["comments"]] == ["commented: scan again"]


def test_outcomes_are_recorded_and_listed(vet: Visitor) -> None:
    headers = {"x-clutchlight-token": vet.token}
    given = {"kind": "laid", "date": "2026-05-20", "number": "7", "note": "in the sand box"}
    recorded = vet.client.post(f"{EXAM}/outcomes", json=given, headers=headers)
    assert recorded.json() == vet.client.get(f"{EXAM}/outcomes").json()
    (outcome,) = recorded.json()["outcomes"]
    assert (outcome["number"], outcome["who"], outcome["date"]) == (7, "Orla Finch", "20 May 2026")
    wrong = vet.client.post(f"{EXAM}/outcomes", json={**given, "number": "seven"}, headers=headers)
    assert (wrong.status_code, wrong.json()["reason"][:7]) == (422, "number:")


def test_the_last_exam_is_named(vet: Visitor) -> None:
    exam = "/exams/AF-0413/2026-05-14"
    assert state(vet, exam)["last_exam"] == {"date": "20 April 2026", "address": "/exams/AF-0413/2026-04-20"}
    assert state(vet)["last_exam"] is None


def test_a_request_sent_again_is_stored_once(vet: Visitor) -> None:
    answer = {"kind": "comment", "text": "a comment"}
    assert [vet.submit(answer, request_id="request-1").json()["sequence"] for _ in range(3)] == [1, 1, 1]
    assert state(vet)["head"] == 1


def test_the_second_user_is_informed_of_a_conflict_and_nothing_is_lost(served: Served, vet: Visitor) -> None:
    other = served.visitor(name="Ned Rush", role="nurse")
    eggs = state(vet)["eggs"]
    vet.submit({"kind": "not-egg", "eggs": [eggs[0]["segments"]]}, request_id="request-1")
    late = {"kind": "egg", "eggs": [eggs[0]["segments"]]}
    conflict = other.submit(late, request_id="request-2", base_sequence=0)
    assert conflict.status_code == 409
    assert [one["who"] for one in conflict.json()["conflict"]] == ["Orla Finch"]
    assert conflict.json()["state"]["head"] == 1
    assert (
        other.submit(
            {"kind": "egg", "eggs": [eggs[1]["segments"]]}, request_id="request-3", base_sequence=0
        ).status_code
        == 200
    )
    assert other.submit(late, request_id="request-4", base_sequence=0, override_conflict=True).status_code == 200
    assert [one["who"] for one in state(vet)["history"]] == ["Orla Finch", "Ned Rush", "Ned Rush"]
    assert state(vet)["others"] == ["Ned Rush"]


def test_signing_writes_the_sheet_and_reopening_removes_it(served: Served, vet: Visitor, out: Path) -> None:
    eggs = state(vet)["eggs"]
    vet.submit({"kind": "stage", "eggs": [eggs[0]["segments"]], "stage": "thin-shelled"}, request_id="request-1")
    forged = vet.submit({"kind": "signed", "name": "Somebody Else", "role": "veterinarian"}, request_id="request-2")
    assert forged.status_code == 422
    assert vet.client.get(f"{EXAM}/sheet").status_code == 404
    signed = vet.submit({"kind": "signed"}, request_id="request-3")
    assert signed.json()["state"]["signed"]["name"] == "Orla Finch"
    folder = out / "AF-0412" / "2026-05-14"
    page = (folder / "signed.html").read_text()
    assert "Signed by <b>Orla Finch</b>, veterinarian" in page
    assert "Signed at this machine, not logged in. In the record of all answers: entry" in page
    assert "no. 1: thin-shelled" in page
    assert "script" not in page
    document = json.loads((folder / "signed.json").read_text())
    assert document["signed"]["name"] == "Orla Finch"
    with served.context.event_log.journal.reading() as reader:
        entry = reader.entry(document["signed"]["entry"])
    assert (entry.content["answer"]["kind"], entry.digest) == ("signed", document["signed"]["sha256"])
    assert entry.digest in page
    assert document["result"]["eggs"][0]["stage"] == "thin-shelled"
    assert document["changes"][0]["answer"]["kind"] == "stage"
    assert vet.client.get(f"{EXAM}/sheet").text == page
    pdf = (folder / "signed.pdf").read_bytes()
    assert hashlib.sha256(pdf).hexdigest() == document["pdf_sha256"]
    for file, content in (("signed.pdf", pdf), ("report.html", (folder / "report.html").read_bytes())):
        assert vet.client.get(f"{EXAM}/{file}").content == content
    assert vet.client.get(f"{EXAM}/result.json").status_code in (404, 422)
    assert vet.submit({"kind": "undo"}, request_id="request-4").status_code == 409
    assert "signed" in vet.client.get("/", params={"show": "signed"}).text
    vet.submit({"kind": "reopened", "reason": "a slip"}, request_id="request-5")
    assert not (folder / "signed.html").exists()
    assert [one["what"] for one in state(vet)["history"]][-1] == "reopened the exam: a slip"


def test_everything_confirmed_stands_without_a_range_on_worklist_and_sheet(vet: Visitor, out: Path) -> None:
    eggs = state(vet)["eggs"]
    vet.submit({"kind": "egg", "eggs": [egg["segments"] for egg in eggs]}, request_id="request-1")
    vet.submit({"kind": "signed"}, request_id="request-2")
    number = sum(egg["stage"] != "follicle" for egg in eggs)
    page = (out / "AF-0412" / "2026-05-14" / "signed.html").read_text()
    assert "all confirmed" in page
    assert "if every detection is right" not in page
    assert "The program found on its own:" in page
    row = vet.client.get("/", params={"show": "signed"}).text
    assert f"<b>{number} shelled eggs</b><br>all confirmed" in row
    assert "the program on its own:" in row


def test_the_signed_sheet_lists_only_the_answers_that_hold(vet: Visitor) -> None:
    eggs = state(vet)["eggs"]
    answers: list[dict[str, Any]] = [
        {"kind": "not-egg", "eggs": [eggs[2]["segments"]]},
        {"kind": "undo"},
        {"kind": "redo"},
        {"kind": "undo"},
        {"kind": "egg", "eggs": [eggs[4]["segments"]]},
        {"kind": "signed"},
    ]
    for n, answer in enumerate(answers):
        assert vet.submit(answer, request_id=f"request-{n}").status_code == 200
    page = vet.client.get(f"{EXAM}/sheet").text
    assert "no. 5: confirmed" in page
    assert "no. 3: not an egg" not in page


def test_frames_are_black_outside_the_sector(vet: Visitor) -> None:
    exam = "/exams/AF-0415/2026-05-14"
    response = vet.client.get(f"{exam}/clips/0/frames/15")
    assert response.headers["content-type"] == "image/jpeg"
    picture = cv2.imdecode(np.frombuffer(response.content, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture.shape == (160, 192)
    assert picture[60:140, 30:160].mean() > 20
    assert writing(picture).max() < 30
    egg = cv2.imdecode(np.frombuffer(vet.client.get(f"{exam}/eggs/1").content, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert egg.shape == (360, 480)
    assert vet.client.get(f"{exam}/clips/0/frames/40").status_code == 404
    assert vet.client.get(f"{exam}/clips/1/frames/0").status_code == 404
    assert vet.client.get(f"{exam}/eggs/99").status_code == 404


def test_a_recording_that_changed_is_not_shown(vet: Visitor, served: Served, tmp_path: Path) -> None:
    case = served.context.case("AF-0412", "2026-05-14")
    changed = tmp_path / "left-1.mp4"
    changed.write_bytes(case.exam.clips[0].path.read_bytes() + b"more")
    with pytest.raises(FrameUnavailableError, match="has changed"):
        served.context.frame_cache.frame(changed, case.scans[0], 0)
    with pytest.raises(FrameUnavailableError, match="moved or deleted"):
        served.context.frame_cache.frame(tmp_path / "gone.mp4", case.scans[0], 0)


def test_pictures_of_drawn_and_split_eggs_are_shown(vet: Visitor) -> None:
    drawn = {"kind": "drawn", "clip": "left-1.mp4", "frame": 12, "ellipse": [90, 120, 14, 9, 10], "stage": "follicle"}
    number = vet.submit(drawn, request_id="request-1").json()["state"]["eggs"][-1]["number"]
    assert vet.client.get(f"{EXAM}/eggs/{number}").headers["content-type"] == "image/jpeg"
    segment = state(vet)["eggs"][0]["segments"][0]
    apart = {**segment, "first": (segment["first"] + segment["last"]) // 2}
    eggs = vet.submit({"kind": "two", "egg": [segment], "apart": [apart]}, request_id="request-2").json()["state"][
        "eggs"
    ]
    assert vet.client.get(f"{EXAM}/eggs/{eggs[-1]['number']}").status_code == 200
    again = vet.client.get(f"{EXAM}/eggs/1")
    assert vet.client.get(f"{EXAM}/eggs/1", headers={"if-none-match": again.headers["etag"]}).status_code == 304


def test_names_and_comments_are_shown_as_text_never_as_markup(served: Served, vet: Visitor) -> None:
    page = vet.client.get("/").text
    link = next(part for part in page.split('"') if part.startswith("/exams/AF_"))
    assert SCRIPT_SPECIES not in page
    assert SCRIPT_ANIMAL not in page
    assert "&lt;img src=x" in page
    assert "AF&#39; onfocus=&#39;alert(1)&amp;lt;" in page
    vet.submit(
        {"kind": "comment", "text": f"</div><script>alert(1)</script>{SCRIPT_SPECIES}"},
        request_id="request-1",
        exam=link,
    )
    exam = vet.client.get(link).text
    assert "<script>alert" not in exam
    assert SCRIPT_SPECIES not in exam
    assert SCRIPT_ANIMAL not in exam
    other = served.visitor(name="Ned <b>Rush", role=SCRIPT_SPECIES)
    other.submit({"kind": "signed"}, request_id="request-2", exam=link)
    sheet = vet.client.get(f"{link}/sheet").text
    assert SCRIPT_SPECIES not in sheet
    assert "Ned &lt;b&gt;Rush" in sheet
    assert "&lt;script&gt;alert(1)" in sheet


def test_an_exam_of_other_settings_is_reported(serve: Callable[..., Served], out: Path) -> None:
    result = out / "AF-0412" / "2026-05-14" / "result.json"
    document = json.loads(result.read_text())
    result.write_text(json.dumps({**document, "settings_sha256": "0" * 64}))
    visitor = serve().visitor(name="Orla Finch", role="veterinarian")
    assert "other settings" in visitor.client.get(EXAM).text
    assert visitor.client.get(f"{EXAM}/state").status_code == 409


class OtherFinder(BlobFinder):
    """Another network: every outline is slightly shifted and larger."""

    model = ModelInfo("other-finder", "c" * 64)

    def detect_frame(self, frame: Frame, sector: Sector) -> Detections:
        found = super().detect_frame(frame, sector)
        return replace(found, ellipses=found.ellipses + np.array([1.0, -1.0, 0.5, 0.5, 0.0]))


def test_answers_stay_with_their_eggs_when_another_network_reads_the_recordings(
    vet: Visitor, night: Path, out: Path
) -> None:
    before = state(vet)
    eggs = [egg["segments"] for egg in before["eggs"]]
    vet.submit({"kind": "not-egg", "eggs": [eggs[0]]}, request_id="request-1")
    vet.submit({"kind": "stage", "eggs": [eggs[5]], "stage": "thin-shelled"}, request_id="request-2")
    vet.submit({"kind": "signed"}, request_id="request-3")
    signed = vet.client.get(f"{EXAM}/sheet").text
    run_batch(night.parent / "root", out, SETTINGS, OtherFinder)
    after = state(vet)
    assert after["fingerprint"] != before["fingerprint"]
    assert [egg["verdict"] for egg in after["eggs"]] == ["not-egg", *[None] * 4, "egg", None, None]
    assert after["eggs"][5]["stage"] == "thin-shelled"
    assert after["questions"] == []
    assert after["signed"]["name"] == "Orla Finch"
    assert vet.client.get(f"{EXAM}/sheet").text == signed  # what was signed, not the current result
    outdated = {
        "request_id": "request-4",
        "base_sequence": 3,
        "fingerprint": before["fingerprint"],
        "answer": {"kind": "undo"},
    }
    response = vet.client.post(f"{EXAM}/answers", json=outdated, headers={"x-clutchlight-token": vet.token})
    assert response.status_code == 409
    assert "read again" in response.json()["reason"]
