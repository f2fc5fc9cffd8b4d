"""A real batch by a detector without a network, and the review server over a copy of its output."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import uvicorn
from fastapi.testclient import TestClient

from pipeline.batch.run import run_batch
from pipeline.review.web.app import make_app
from pipeline.review.web.app_context import AppContext, open_app_context
from pipeline.review.web.login import LoginRequest
from pipeline.review.web.run_server import ServerOptions, listen, server_config
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import FAINT, BlobFinder, film, write_exam_folder, write_video

SETTINGS = load_settings().with_network_rate(0)  # so that outlines are those of the drawn discs
HOST = "localhost:8017"
BASE = f"http://{HOST}"
EXAM = "/exams/AF-0412/2026-05-14"
UNCERTAIN_EXAM = "/exams/AF-0416/2026-05-14"
SCRIPT_SPECIES = "<img src=x onerror=alert(1)>"
SCRIPT_ANIMAL = "AF' onfocus='alert(1)&lt;"  # file systems allow it


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of a batch: eight eggs seen from two sides; no eggs after two in an earlier exam; an animal whose name
    and species are scripts; writing next to the sector; nothing but an object too uncertain to count."""
    folder = tmp_path_factory.mktemp("night")
    root = folder / "root"
    write_exam_folder(root, "AF-0412", {"left-1.mp4": 5, "right-1.mp4": 3}, seed=1)
    write_exam_folder(root, "AF-0413", {"left-1.mp4": 0}, seed=11)
    write_exam_folder(root, "AF-0413", {"left-1.mp4": 2}, seed=12, date="2026-04-20")
    exam = write_exam_folder(root, "AF-0414", {"left-1.mp4": 2}, seed=21)
    text = (exam / "exam.toml").read_text()
    (exam / "exam.toml").write_text(
        text.replace('"AF-0414"', f'"{SCRIPT_ANIMAL}"').replace("[[clip]]", f'species = "{SCRIPT_SPECIES}"\n[[clip]]')
    )
    frames = film(1, seed=31)
    for picture in frames:
        picture[1:8, 20:90:3] = 255  # writing next to the sector
    write_video(root / "AF-0415" / "2026-05-14" / "left-1.mp4", frames)
    write_exam_folder(root, "AF-0416", {"left-1.mp4": 1}, seed=41, wall=FAINT)
    run_batch(root, folder / "out", SETTINGS, BlobFinder)
    return folder / "out"


@pytest.fixture
def as_read(tmp_path: Path) -> Path:
    """A settings file with which the night is read as in ``SETTINGS``."""
    path = tmp_path / "every-frame.toml"
    path.write_text("[detect]\nnetwork_frames_per_second = 0\n")
    return path


@pytest.fixture
def out(night: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(night, tmp_path / "out"))


@dataclass(frozen=True)
class Visitor:
    """A user who has logged in. client : with the session's cookie;  token : against CSRF"""

    client: TestClient
    token: str

    def submit(
        self, answer: object, *, request_id: str, base_sequence: int | None = None, exam: str = EXAM, **more: object
    ) -> object:
        """The response to an answer. base_sequence : by default that of the last answer"""
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

    def visitor(self, *, name: str, role: str = "", password: str = "") -> Visitor:
        """A user who has logged in, with a client of their own. role : to add the name to the list of this machine"""
        client = TestClient(self.client.app, base_url=BASE)
        client.cookies.clear()
        if role:
            assert client.post("/login/names", json={"name": name, "role": role}).status_code == 200
        response = client.post("/login", json=LoginRequest(name=name, password=password).model_dump())
        assert response.status_code == 200, response.text
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
    """The address of a real server that needs no passwords."""
    with running_server(out) as server_address:
        yield server_address


@contextmanager
def running_server(out: Path, *, needs_login: bool = False, proxies: tuple[str, ...] = ()) -> Iterator[str]:
    """A real server over an output folder, on a free port. Yields its address."""
    options = ServerOptions("127.0.0.1", 0, (), proxies, None, None, needs_login)
    with listen(options) as listener:
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        context = open_app_context(
            out,
            SETTINGS,
            allowed_hosts=frozenset({host}),
            needs_login=needs_login,
            is_encrypted=options.is_encrypted,
        )
        server = uvicorn.Server(server_config(make_app(context), options))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            deadline = time.monotonic() + 20
            while not server.started and time.monotonic() < deadline:
                time.sleep(0.02)
            yield f"http://{host}"
        finally:
            server.should_exit = True
            thread.join()


def writing(picture: np.ndarray) -> np.ndarray:
    """The part of the screen of AF-0415 that has writing on it."""
    return picture[:9]
