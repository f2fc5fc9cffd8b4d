"""A real night by a detector without a network, and the review served over a copy of it."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import argon2
import numpy as np
import pytest
import uvicorn
from fastapi.testclient import TestClient

from pipeline.batch.run import run_batch
from pipeline.review.web.app import make_app
from pipeline.review.web.app_context import AppContext, open_app_context
from pipeline.review.web.login import LoginRequest
from pipeline.review.web.run_server import ServerOptions, listen
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video

SETTINGS = load_settings()
HOST = "localhost:8017"
BASE = f"http://{HOST}"
EXAM = "/exams/AF-0412/2026-05-14"
NASTY = "<img src=x onerror=alert(1)>"
NASTY_NAME = "AF' onfocus='alert(1)&lt;"  # file systems allow it


@pytest.fixture(autouse=True, scope="session")
def quick_hashes() -> Iterator[None]:
    """Hashes of passwords that cost little, since every page that is served makes one and tests serve hundreds."""
    with pytest.MonkeyPatch.context() as patch:
        quick = partial(argon2.PasswordHasher, time_cost=1, memory_cost=64, parallelism=1)
        patch.setattr(argon2, "PasswordHasher", quick)
        yield


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of a night: eight eggs seen from two sides, none, and an animal whose name and species are scripts."""
    folder = tmp_path_factory.mktemp("night")
    root = folder / "root"
    write_exam_folder(root, "AF-0412", {"left-1.mp4": 5, "right-1.mp4": 3}, seed=1)
    write_exam_folder(root, "AF-0413", {"left-1.mp4": 0}, seed=11)
    exam = write_exam_folder(root, "AF-0414", {"left-1.mp4": 2}, seed=21)
    text = (exam / "exam.toml").read_text()
    (exam / "exam.toml").write_text(
        text.replace('"AF-0414"', f'"{NASTY_NAME}"').replace("[[clip]]", f'species = "{NASTY}"\n[[clip]]')
    )
    named = film(1, seed=31)
    for picture in named:
        picture[1:8, 20:90:3] = 255  # something written beside the sector
    write_video(root / "AF-0415" / "2026-05-14" / "left-1.mp4", named)
    run_batch(root, folder / "out", SETTINGS, BlobFinder)
    return folder / "out"


@pytest.fixture
def out(night: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(night, tmp_path / "out"))


@dataclass(frozen=True)
class Visitor:
    """Somebody at the page. client : with their cookie"""

    client: TestClient
    token: str

    def submit(
        self, answer: object, *, request_id: str, base_sequence: int | None = None, exam: str = EXAM, **more: object
    ) -> object:
        """The response to an answer, given in knowledge of everything unless base_sequence tells."""
        state = self.client.get(f"{exam}/state").json()
        content = {
            "request_id": request_id,
            "base_sequence": state["head"] if base_sequence is None else base_sequence,
            "fingerprint": state["fingerprint"],
            "answer": answer,
            **more,
        }
        return self.client.post(f"{exam}/answers", json=content, headers={"x-clutchlight-token": self.token})


@dataclass(frozen=True)
class Served:
    context: AppContext
    client: TestClient

    def visitor(self, **who: str) -> Visitor:
        """Somebody who came in, on a client of their own."""
        client = TestClient(self.client.app, base_url=BASE)
        client.cookies.clear()
        entered = client.post("/login", json=LoginRequest(**who).model_dump())
        assert entered.status_code == 200, entered.text
        token = client.get("/").text.split('name="csrf-token" content="')[1].split('"')[0]
        return Visitor(client, token)


@pytest.fixture
def serve(out: Path) -> Iterator[Callable[..., Served]]:
    with ExitStack() as stack:

        def started(*, needs_login: bool = False) -> Served:
            context = open_app_context(out, SETTINGS, allowed_hosts=frozenset({HOST}), needs_login=needs_login)
            return Served(context, stack.enter_context(TestClient(make_app(context), base_url=BASE)))

        yield started


@pytest.fixture
def served(serve: Callable[..., Served]) -> Served:
    return serve()


@pytest.fixture
def vet(served: Served) -> Visitor:
    return served.visitor(name="Orla Finch", role="veterinarian")


@pytest.fixture
def address(out: Path) -> Iterator[str]:
    """The page served to this machine by a real server."""
    with running_server(out) as where:
        yield where


class running_server:  # noqa: N801 - used as a function
    """A real server over an output folder, on a port of its own, for the length of a ``with`` block."""

    def __init__(self, out: Path) -> None:
        self._listener = listen(ServerOptions("127.0.0.1", 0, (), None, None, needs_login=False))
        self.host = f"127.0.0.1:{self._listener.getsockname()[1]}"
        context = open_app_context(out, SETTINGS, allowed_hosts=frozenset({self.host}), needs_login=False)
        self._server = uvicorn.Server(uvicorn.Config(make_app(context), log_level="warning"))
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._listener]})

    def __enter__(self) -> str:
        self._thread.start()
        deadline = time.monotonic() + 20
        while not self._server.started and time.monotonic() < deadline:
            time.sleep(0.02)
        return f"http://{self.host}"

    def __exit__(self, *_: object) -> None:
        self._server.should_exit = True
        self._thread.join()
        self._listener.close()


def written_part(picture: np.ndarray) -> np.ndarray:
    """Where the screen of AF-0415 has something written."""
    return picture[:9]
