"""Two hundred readers and twenty writers at once: no answer is lost, no count is wrong."""

from __future__ import annotations

import re
import ssl
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx2 as httpx

from pipeline.people.event_log import EventLog
from pipeline.people.journal import Journal
from pipeline.review.cases import CaseStore
from pipeline.review.exam_review import ExamReviews
from tests.pipeline.review.conftest import EXAM, SETTINGS, running_server

READERS, WRITERS, ANSWERS = 200, 20, 3
NO_TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # by default every client reads all certificates of this machine


def log_in(address: str, name: str) -> tuple[httpx.Client, str]:
    client = httpx.Client(base_url=address, timeout=120, verify=NO_TLS)
    client.post("/login/names", json={"name": name, "role": "vet"})
    client.post("/login", json={"name": name})
    found = re.search(r'name="csrf-token" content="([^"]+)"', client.get("/").text)
    assert found is not None
    return client, found[1]


def test_many_users_at_once_lose_nothing(out: Path) -> None:
    faults: list[str] = []
    stored: Counter[str] = Counter()
    lock = threading.Lock()
    with running_server(out) as address:
        reader, _ = log_in(address, "Reader")
        cookie = dict(reader.cookies)

        def read(n: int) -> None:
            with httpx.Client(base_url=address, cookies=cookie, timeout=120, verify=NO_TLS) as client:
                for path in (f"{EXAM}/state", f"{EXAM}/updates", "/" if n % 10 == 0 else f"{EXAM}/eggs/{n % 8 + 1}"):
                    response = client.get(path)
                    if response.status_code != 200:
                        faults.append(f"{path}: {response.status_code}")

        def write(n: int) -> None:
            name = f"Writer {n:02d}"
            client, token = log_in(address, name)
            for k in range(ANSWERS):
                state = client.get(f"{EXAM}/state").json()
                segments = state["eggs"][(n + k) % 8]["segments"]
                answer: dict[str, Any] = {"kind": "comment", "text": f"{name}, comment {k}"}
                if k < 2:
                    answer = {"kind": ("egg", "not-egg")[(n + k) % 2], "eggs": [segments]}
                content = {
                    "request_id": f"writer-{n}-{k}",
                    "base_sequence": state["head"],
                    "fingerprint": state["fingerprint"],
                    "override_conflict": True,
                    "answer": answer,
                }
                # Sent twice, as a browser does that did not receive the first reply.
                replies = [
                    client.post(f"{EXAM}/answers", json=content, headers={"x-clutchlight-token": token})
                    for _ in range(2)
                ]
                if [reply.status_code for reply in replies] == [200, 200]:
                    with lock:
                        stored[name] += 1
                        if replies[0].json()["sequence"] != replies[1].json()["sequence"]:
                            faults.append(f"{name}: one answer was stored twice")
                elif replies[0].status_code != 409 or "No change" not in replies[0].text:
                    faults.append(f"{name}: {replies[0].status_code} {replies[0].text[:200]}")
            client.close()

        with ThreadPoolExecutor(READERS + WRITERS) as users:
            futures = [users.submit(write, n) for n in range(WRITERS)] + [users.submit(read, n) for n in range(READERS)]
            for future in futures:
                future.result()
        shown = reader.get(f"{EXAM}/state").json()
        reader.close()
    assert faults == []
    journal = Journal(out)
    event_log, cases = EventLog(journal), CaseStore(out, SETTINGS, journal)
    case = cases.case("AF-0412/2026-05-14")
    assert case is not None
    events = event_log.events(case.key)
    assert [event.sequence for event in events] == list(range(1, len(events) + 1))
    assert Counter(event.person for event in events) == stored
    assert sum(stored.values()) >= WRITERS  # every comment, and most of the other answers
    # Replaying the stored answers gives what was shown, and each answer starts from the counts that the last one left.
    replayed = ExamReviews(event_log).current(case)
    assert [egg["verdict"] for egg in shown["eggs"]] == [egg.verdict for egg in replayed.state.eggs]
    assert int(shown["now"]["figure"]) == replayed.finding.shelled.estimate
    for earlier, later in pairwise(events):
        assert later.before["shelled"] == earlier.after["shelled"]
    cases.close()
    journal.close()
