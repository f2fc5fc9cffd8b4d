"""How fast the pages are with 5,000 exams in the store. They should open within a second and store an answer within
150 ms (medians, two idle cores). What counts here is the processor time of server and client, since the machine that
runs the tests may be busy. The bounds are wider, since its processor may be slower."""

from __future__ import annotations

import re
import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import httpx2 as httpx

from pipeline.store.store import Store
from tests.pipeline.review.conftest import EXAM, running_server

EXAMS = 5_000


def add_exams(out: Path) -> None:
    """Copies of the exam of eight eggs, as exams of other animals."""
    with Store(out) as store:
        (stored,) = store.exams_of({"AF-0412"})
        for name in (f"BF-{number:05d}" for number in range(EXAMS)):
            document = stored.summary_json.replace("AF-0412", name)
            store.save_exam(replace(stored, animal=name, summary_json=document), run=1)


def seconds(ask: Callable[[], httpx.Response], times: int = 5) -> float:
    """The median processor time over some requests, without the first, which fills the caches."""
    taken = []
    for _ in range(times + 1):
        begun = time.process_time()
        assert ask().status_code == 200
        taken.append(time.process_time() - begun)
    return statistics.median(taken[1:])


def test_the_pages_are_fast_with_five_thousand_exams(out: Path) -> None:
    add_exams(out)
    with running_server(out) as address, httpx.Client(base_url=address, timeout=60) as client:
        client.post("/login/names", json={"name": "Orla Finch", "role": "vet"})
        client.post("/login", json={"name": "Orla Finch"})
        begun = time.process_time()
        page = client.get("/")
        first = time.process_time() - begun
        assert "5,00" in page.text
        found = re.search(r'name="csrf-token" content="([^"]+)"', page.text)
        assert found is not None
        state = client.get(f"{EXAM}/state").json()
        heads = iter(range(100))

        def answer() -> httpx.Response:
            n = next(heads)
            content = {
                "request_id": f"request-{n}",
                "base_sequence": n,
                "fingerprint": state["fingerprint"],
                "answer": {"kind": ("egg", "not-egg")[n // 8 % 2], "eggs": [state["eggs"][n % 8]["segments"]]},
            }
            return client.post(f"{EXAM}/answers", json=content, headers={"x-clutchlight-token": found[1]})

        figures = {
            "worklist": seconds(lambda: client.get("/")),
            "filtered worklist": seconds(lambda: client.get("/", params={"animal": "BF-0420"})),
            "exam": seconds(lambda: client.get(EXAM)),
            "frame": seconds(lambda: client.get(f"{EXAM}/clips/0/frames/12")),
            "answer": seconds(answer, 15),
        }
    summary = ", ".join(f"{name} {1000 * value:.0f} ms" for name, value in figures.items())
    print(f"first worklist {1000 * first:.0f} ms; {summary}")  # noqa: T201 - pytest -s shows it
    assert figures["answer"] < 0.5, summary
    assert max(value for name, value in figures.items() if name != "answer") < 2.0, summary
