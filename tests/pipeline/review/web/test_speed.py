"""How fast the pages are with 5,000 exams in the store. They should open within a second and store an answer within
150 ms (medians, two idle cores). The bounds here are wider, since the machine that runs the tests may be busy."""

from __future__ import annotations

import re
import sqlite3
import statistics
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import httpx2 as httpx

from pipeline.store.row_hashes import row_sha256
from tests.pipeline.review.conftest import EXAM, running_server

EXAMS = 5_000


def add_exams(out: Path) -> None:
    """Copies of the exam of eight eggs, as exams of other animals."""
    with closing(sqlite3.connect(out / "clutchlight.sqlite")) as rows, rows:
        rows.row_factory = sqlite3.Row
        known = dict(rows.execute("SELECT * FROM exams WHERE animal = 'AF-0412'").fetchone())
        for n in range(EXAMS):
            name = f"BF-{n:05d}"
            row = known | {
                column: known[column].replace("AF-0412", name) for column in ("animal", "folder", "document")
            }
            row |= {"fingerprint": f"{known['fingerprint'][:50]}{n}"}
            row |= {"sha256": row_sha256("exams", row)}
            rows.execute(f"INSERT INTO exams ({', '.join(row)}) VALUES (:{', :'.join(row)})", row)


def seconds(ask: Callable[[], httpx.Response], times: int = 5) -> float:
    """The median over some requests, without the first, which fills the caches."""
    taken = []
    for _ in range(times + 1):
        begun = time.perf_counter()
        assert ask().status_code == 200
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken[1:])


def test_the_pages_are_fast_with_five_thousand_exams(out: Path) -> None:
    add_exams(out)
    with running_server(out) as address, httpx.Client(base_url=address, timeout=60) as client:
        client.post("/login/names", json={"name": "Orla Finch", "role": "vet"})
        client.post("/login", json={"name": "Orla Finch"})
        begun = time.perf_counter()
        page = client.get("/")
        first = time.perf_counter() - begun
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
