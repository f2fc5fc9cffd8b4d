"""Whole nights over recordings on a real server that speaks S3, by the command line in a process of its own."""

from __future__ import annotations

import json
import logging
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

pytest.importorskip("s3fs", reason="s3fs is not installed (the extra objects)")
pytest.importorskip("moto.server", reason="moto is not installed (the extra test)")

import s3fs
from moto.server import ThreadedMotoServer

from pipeline.cli.exit_codes import ExitCode
from pipeline.exams.exam_search import find_exams
from pipeline.ingest.recording_identity import file_state
from pipeline.locations.location import location
from pipeline.locations.storage_errors import StorageError
from tests.pipeline import blob_finder
from tests.pipeline.blob_finder import film, write_exam_folder, write_video
from tests.pipeline.conftest import Clutchlight, CommandResult
from tests.pipeline.run_ended import contents

ADDRESS = "s3://recordings/2026"
KEYS = {"AWS_ACCESS_KEY_ID": "any", "AWS_SECRET_ACCESS_KEY": "any", "AWS_DEFAULT_REGION": "us-east-1"}


@dataclass
class Storage(logging.Handler):
    """A server, and how often each kind of request came since the last command began."""

    server: ThreadedMotoServer
    requests: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        super().__init__()

    def __hash__(self) -> int:
        return id(self)

    def emit(self, record: logging.LogRecord) -> None:
        match = re.search(r"(GET|HEAD) (\S+)", record.getMessage())
        if match is not None:
            self.requests["list" if "list-type" in match[2] else match[1]] += 1

    @property
    def environment(self) -> dict[str, str]:
        host, port = self.server.get_host_and_port()
        # Of the library's retries, which take a minute, only the first.
        return {**KEYS, "AWS_ENDPOINT_URL": f"http://{host}:{port}", "AWS_MAX_ATTEMPTS": "1"}

    def upload(self, folder: Path) -> None:
        files = s3fs.S3FileSystem(skip_instance_cache=True)
        for path in folder.rglob("*.*"):
            files.put_file(str(path), f"{ADDRESS}/{path.relative_to(folder)}")

    def clutchlight(self, *arguments: object, **environment: str) -> CommandResult:
        """The command line in a process of its own."""
        self.requests.clear()
        ended = subprocess.run(
            [sys.executable, blob_finder.__file__, *map(str, arguments)],
            env={**os.environ, **self.environment, "PYTHONPATH": os.pathsep.join(sys.path), **environment},
            capture_output=True,
            text=True,
            check=False,
        )
        return CommandResult(ended.returncode, ended.stdout, ended.stderr)


@pytest.fixture(scope="module")
def storage() -> Iterator[Storage]:
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=True)
    server.start()
    storage, requests = Storage(server), logging.getLogger("werkzeug")
    requests.addHandler(storage)
    requests.setLevel(logging.INFO)
    with pytest.MonkeyPatch.context() as patch:
        for name, value in storage.environment.items():
            patch.setenv(name, value)
        s3fs.S3FileSystem(skip_instance_cache=True).mkdir("recordings")
        yield storage
    requests.removeHandler(storage)
    server.stop()


def test_nights_are_those_of_a_folder(storage: Storage, clutchlight: Clutchlight, tmp_path: Path) -> None:
    root, local, out = tmp_path / "2026", tmp_path / "local", tmp_path / "out"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 1}, frames=20)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 0}, frames=20, seed=5)
    storage.upload(root)

    assert clutchlight("batch", root, "--out", local).code == ExitCode.DONE
    first = storage.clutchlight("batch", ADDRESS, "--out", out)
    assert (first.code, first.stderr.count("Traceback")) == (ExitCode.DONE, 0)
    expected = {name: data.replace(str(root).encode(), ADDRESS.encode()) for name, data in contents(local).items()}
    assert contents(out) == expected

    again = storage.clutchlight("batch", ADDRESS, "--out", out)
    assert again.code == ExitCode.DONE
    # The top is looked for, then each folder is listed once: the top, two animals, two exams.
    assert storage.requests == {"HEAD": 1, "list": 1 + 5}

    status = json.loads(clutchlight("status", "--out", out, "--json").stdout)
    assert status["tonight"] == {"new": 0, "changed": 0, "retried": 0, "gone": 0}

    changed = root / "AF-0002" / "2026-05-14" / "left-1.mp4"
    shutil.rmtree(root / "AF-0001")
    write_video(changed, film(3, frames=20, seed=5))
    storage.upload(root)
    report = storage.clutchlight("batch", ADDRESS, "--out", out)
    assert report.code == ExitCode.DONE
    assert "1 written" in report.stdout + report.stderr


def test_pages_are_copied_for_readers(storage: Storage, clutchlight: Clutchlight, tmp_path: Path) -> None:
    root, out, sheets = tmp_path / "root", tmp_path / "out", "s3://recordings/sheets"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 1}, frames=10)
    assert clutchlight("batch", root, "--out", out).code == ExitCode.DONE
    assert clutchlight("backup", "--out", out).code == ExitCode.DONE

    first = clutchlight("upload", "--out", out, "--to", sheets)
    assert (first.code, first.stderr) == (ExitCode.DONE, "")
    files = s3fs.S3FileSystem(skip_instance_cache=True)
    copied = {name.removeprefix("recordings/sheets/"): files.cat_file(name) for name in files.find(sheets)}
    private = re.compile(r"\..*|.*\.sqlite.*|people\.head|uploads\.json|night\.log")
    assert copied == {
        str(path.relative_to(out)): path.read_bytes()
        for path in out.rglob("*")
        if path.is_file() and not private.fullmatch(path.name) and "backups" not in path.parts
    }
    assert files.info(f"{sheets}/index.html", refresh=True)["ContentType"] == "text/html"

    for path in out.rglob("*.*"):
        os.utime(path, (0, 0))
    os.utime(out / "index.html")
    assert clutchlight("upload", "--out", out, "--to", sheets).stdout == f"1 file copied to {sheets}.\n"
    everything = clutchlight("upload", "--out", out, "--to", sheets, "--all").stdout
    assert everything == f"{len(copied)} files copied to {sheets}.\n"

    nowhere = clutchlight("upload", "--out", out, "--to", "s3://nothing")
    assert nowhere.code == ExitCode.UNEXPECTED
    assert "cannot be written: there is no such file or folder. Run it again to go on." in nowhere.stderr
    assert clutchlight("upload", "--out", out, "--to", str(tmp_path)).code == ExitCode.USAGE


def test_objects_are_as_files_in_folders(storage: Storage) -> None:
    """Also at the top of a bucket, and where a console has made a folder, which is an object of its own."""
    files = s3fs.S3FileSystem(skip_instance_cache=True)
    files.mkdir("bucket")
    files.pipe_file("bucket/AF-0001/2026-05-14/left-1.mp4", b"first")
    files.call_s3("put_object", Bucket="bucket", Key="AF-0001/2026-05-14/")
    files.call_s3("put_object", Bucket="bucket", Key="AF-0002/2026-05-14/")
    search = find_exams(location("s3://bucket"))
    assert [[clip.file for clip in exam.clips] for exam in search.exams] == [["left-1.mp4"]]
    assert [str(problem.path) for problem in search.problems] == ["s3://bucket/AF-0002/2026-05-14"]

    path = search.exams[0].clips[0].path
    state = file_state(path)
    assert state == file_state(path)
    with path.open("rb", 0) as file:
        files.pipe_file("bucket/AF-0001/2026-05-14/left-1.mp4", b"other")
        with pytest.raises(StorageError, match="it was replaced while it was read"):
            file.read()
    assert file_state(path).size_bytes == state.size_bytes
    assert file_state(path) != state


def test_what_cannot_be_reached_is_a_sentence(storage: Storage, tmp_path: Path) -> None:
    missing = storage.clutchlight("batch", "s3://nothing/2026", "--out", tmp_path / "out")
    assert (missing.code, missing.stderr.strip()) == (
        ExitCode.USAGE,
        "s3://nothing/2026: no such folder. Name the folder that holds the exam folders.",
    )
    lost = storage.clutchlight("batch", ADDRESS, "--out", tmp_path / "out", AWS_ENDPOINT_URL="http://127.0.0.1:1")
    assert lost.code == ExitCode.USAGE
    assert "cannot be searched: the storage does not give it (Could not connect" in lost.stderr
    assert not (tmp_path / "out").exists()
