"""``clutchlight tidy`` removes what can be computed again, says so before, and touches nothing else."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.people.journal import Journal
from pipeline.people.users import Users
from pipeline.store.dated_copies import copies_folder, find_copies
from pipeline.store.lock import hold_lock
from pipeline.store.store import ScanKey, Store, StoredPicture, StoredScan
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.conftest import Clutchlight

OLD = 1.7e9
KEEP_NOTHING = "[tidy]\nscan_days = 0.0\ncopies_gb = 0.0\nlog_days = 30.0\n"
PICTURE = StoredPicture(1, 0, (1.0, 1.0, 1.0, 1.0, 0.0), b"jpeg")


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2}, frames=16, seed=1)
    return root


@pytest.fixture
def out(root: Path, tmp_path: Path, clutchlight: Clutchlight) -> Path:
    """A night, with scans of a network that is no longer used, copies, old logs and a half-written file."""
    out = tmp_path / "out"
    clutchlight("batch", root, "--out", out, "--quiet")
    with closing(Journal(out)) as journal:
        Users(journal).add_name("Orla Finch", "veterinarian")
    clutchlight("backup", "--out", out)
    with Store(out) as store:
        store.save_scan(ScanKey("c" * 64, "m" * 64, "s" * 64, "blobs"), StoredScan(b"x" * 500_000, (PICTURE,)))
    for path in (out / "logs" / "night.log.3", out / "AF-0001" / ".report.html.part"):
        path.write_text("old")
        os.utime(path, (OLD, OLD))
    return out


@pytest.fixture
def own(tmp_path: Path) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(KEEP_NOTHING)
    return path


def contents(out: Path) -> dict[str, bytes]:
    files = (path for path in out.rglob("*") if path.is_file() and path.name not in (".lock", ".people.use"))
    files = (path for path in files if path.suffix not in (".sqlite-wal", ".sqlite-shm"))
    return {str(path.relative_to(out)): path.read_bytes() for path in files}


def test_nothing_is_removed_in_a_dry_run_and_the_list_is_the_same(
    out: Path, own: Path, clutchlight: Clutchlight
) -> None:
    before = contents(out)
    shown = clutchlight("tidy", "--out", out, "--settings", own, "--dry-run")
    assert shown.code == 0
    assert contents(out) == before
    done = clutchlight("tidy", "--out", out, "--settings", own)
    assert done.stdout == shown.stdout.replace("would be removed", "were removed")
    assert "1 stored scan: 0.5 MB" in done.stdout


def test_results_and_what_people_said_stay(out: Path, own: Path, root: Path, clutchlight: Clutchlight) -> None:
    size = (out / "clutchlight.sqlite").stat().st_size
    before = {name: content for name, content in contents(out).items() if not name.startswith("clutchlight.sqlite")}
    clutchlight("tidy", "--out", out, "--settings", own)
    gone = set(before) - set(contents(out))
    assert gone == {"logs/night.log.3", "AF-0001/.report.html.part"}
    assert {name: content for name, content in before.items() if name not in gone} == {
        name: content for name, content in contents(out).items() if not name.startswith("clutchlight.sqlite")
    }
    assert (out / "clutchlight.sqlite").stat().st_size < size - 400_000
    assert [copy.reason for copy in find_copies(copies_folder(out))] == ["asked"]
    assert clutchlight("check", "--out", out).code == 0
    assert "1 clip: 1 kept" in clutchlight("batch", root, "--out", out, "--verify").stdout


def test_scans_of_a_network_that_ran_lately_stay(out: Path, clutchlight: Clutchlight) -> None:
    with Store(out) as store:
        run = store.start_run(settings_sha256="s", model_sha256="m" * 64, engine="blobs")
        store.finish_run(run, "done")
    assert "0 stored scans" in clutchlight("tidy", "--out", out).stdout


def automatic_copies(out: Path) -> list[str]:
    return [copy.folder.name for copy in find_copies(copies_folder(out)) if copy.reason == "night"]


def make_copies(out: Path, names: list[str]) -> None:
    for name in names:
        folder = copies_folder(out) / name
        folder.mkdir(parents=True)
        (folder / "backup.json").write_text("{}")
        (folder / "people.sqlite").write_bytes(b"x" * 1000)


@pytest.mark.parametrize(("size_gb", "kept"), [(0.0, 1), (2500e-9, 2), (1.0, 3)])
def test_oldest_automatic_copies_go_first_and_the_newest_never(
    out: Path, own: Path, size_gb: float, kept: int, clutchlight: Callable[..., object]
) -> None:
    names = [f"202601{day:02d}T220000-night" for day in (1, 2, 3)]
    make_copies(out, names)
    own.write_text(f"[tidy]\ncopies_gb = {size_gb}\n")
    clutchlight("tidy", "--out", out, "--settings", own)
    assert automatic_copies(out) == names[-kept:]


def test_nothing_is_tidied_during_a_night(out: Path, clutchlight: Clutchlight) -> None:
    with hold_lock(out):
        assert clutchlight("tidy", "--out", out).code == 75
