"""The command line as its users see it: help, output and exit codes."""

from __future__ import annotations

import errno
import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from importlib.metadata import version
from pathlib import Path

import pytest
import typer

from models.errors import ClutchlightError
from pipeline.batch.run_report import BatchReport, ClipReport, ClipStatus, ExamReport, ExamStatus
from pipeline.cli import app, batch_runner
from pipeline.cli.batch_summary import print_report
from pipeline.cli.bench_commands import BENCH_COMMANDS
from pipeline.cli.error_handling import exit_code_of, handle_errors
from pipeline.cli.exit_codes import EXIT_CODES_HELP, ExitCode, batch_exit_code
from pipeline.exams.exam_search import ExamProblem, ExamRootError
from pipeline.store.atomic_write import OutputError
from pipeline.store.lock import LockedError, hold_lock
from pipeline.store.store import StoreError
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import load_blob_finder, write_exam_folder
from tests.pipeline.conftest import Clutchlight, CommandResult

COMMAND = Path(__file__).parents[1] / "blob_finder.py"
HEAVY_LIBRARIES = {"torch", "cv2", "av", "openvino", "matplotlib", "scipy", "sqlalchemy", "pydantic", "numpy"}
EVERY_COMMAND = [command.__name__ for command in app.COMMANDS] + [f"bench {name}" for name in BENCH_COMMANDS]
WITHOUT_PROGRESS = {"bench labels", "bench other-trackers"}
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "COLUMNS": "200"}


def run_in_a_process(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(COMMAND), *map(str, arguments)],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def processor_s_of_commands() -> float:
    """Of those that have ended. Time on the clock would tell how busy the machine is."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("root")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 1})
    return root


def test_phantoms_may_be_rendered_on_another_device(clutchlight: Clutchlight) -> None:
    assert "--device" in clutchlight("phantoms", "--help").stdout


def test_help_answers_at_once_without_heavy_libraries() -> None:
    start = processor_s_of_commands()
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "pipeline", "--help"],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert processor_s_of_commands() - start < 2.0  # about 0.3 s
    loaded = {line.rpartition("|")[2].strip() for line in done.stderr.splitlines()}
    assert not HEAVY_LIBRARIES & loaded
    for word in ("batch", "demo", "phantoms", "train", "75 another run", "--install-completion"):
        assert word in done.stdout


def test_help_has_flat_headings_and_no_boxes(clutchlight: Clutchlight) -> None:
    for arguments in (["--help"], ["batch", "--help"], ["bench", "--help"]):
        text = clutchlight(*arguments).stdout
        assert "\nOptions\n\N{BOX DRAWINGS LIGHT HORIZONTAL}" in text
        assert not set("\u256d\u2502\u2503\u2570\u250c\u2514") & set(text)
    assert "Write the frames of signed exams, with the confirmed eggs, as COCO and MOTChallenge files." in " ".join(
        clutchlight("--help").stdout.split()
    )


def test_help_of_every_command_answers_at_once_without_heavy_libraries() -> None:
    """In one process. Typer itself loads pydantic for a command with a parameter."""
    program = (
        "import sys, time\n"
        "from pipeline.cli.app import main\n"
        f"for command in {EVERY_COMMAND}:\n"
        "    start = time.process_time()\n"
        "    assert main([*command.split(), '--help']) == 0\n"
        "    assert time.process_time() - start < 2.0, command\n"
        "print(*sys.modules, file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], env=ENVIRONMENT, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Exit codes: 0 all done") == len(EVERY_COMMAND) - len(app.EXIT_CODES)
    assert not (HEAVY_LIBRARIES - {"pydantic"}) & set(done.stderr.split())


@pytest.mark.parametrize("command", EVERY_COMMAND)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main([*command.split(), "--help"]) == ExitCode.DONE
    output = capsys.readouterr().out
    of_monitors = command in {each.__name__ for each in app.EXIT_CODES}
    assert ("Exit codes, as monitors expect" if of_monitors else "Exit codes: 0 all done") in " ".join(output.split())
    assert "--traceback" in output
    assert ("--quiet" in output) == (command not in WITHOUT_PROGRESS)


def test_help_lists_every_exit_code() -> None:
    assert all(f" {code.value} {code.meaning}" in EXIT_CODES_HELP for code in ExitCode)


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main(["--version"]) == 0
    assert capsys.readouterr().out == f"clutchlight {version('clutchlight')}\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["batch"], "Missing argument"),
        (["batch", "root"], "Missing option"),
        (["batch", "root", "--out", "out", "--engine", "steam"], "steam"),
        (["hatch"], "hatch"),
        (["phantoms", "dir", "--animals", "0", "--seed", "1"], "--animals"),
        (["phantoms"], "--contact-sheet"),
        (["phantoms", "dir", "--seed", "1"], "--animals"),
        (["phantoms", "dir", "--contact-sheet", "sheet.png"], "--animals"),
        (["phantoms", "dir", "--animals", "1", "--blinded"], "are options of --contact-sheet"),
        (["phantoms", "dir", "--animals", "1", "--world", "fanning"], "PART=NAME"),
        (["phantoms", "dir", "--animals", "1", "--world", "hand=steady"], "sweeping or fanning"),
        (["phantoms", "--contact-sheet", "sheet.png", "--blinded"], "--compare-with"),
    ],
)
def test_wrong_usage_is_2(arguments: Sequence[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main(arguments) == ExitCode.USAGE
    assert message in capsys.readouterr().err


def test_batch_without_a_terminal_prints_lines_that_stay(root: Path, tmp_path: Path) -> None:
    done = run_in_a_process("batch", root, "--out", tmp_path / "out")
    assert (done.returncode, done.stdout.splitlines()) == (
        0,
        [
            "1 exam: 1 written",
            "2 clips: 2 read",
            "",
            "No animal was flagged for the vet today.",
            f"Open {(tmp_path / 'out' / 'index.html').as_uri()}",
        ],
    )
    assert done.stderr.splitlines() == ["1 exam, 2 clips", "[1/1] AF-0001 2026-05-14: 2 clips, written"]
    assert not {"\x1b", "\r"} & set(done.stdout + done.stderr)


def test_batch_prints_json_alone_to_stdout(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    done = clutchlight("batch", root, "--out", tmp_path / "out", "--json")
    report = json.loads(done.stdout)
    assert (report["schema"], report["exit_code"]) == ("clutchlight/batch-report/1", 0)
    assert [clip["status"] for clip in report["exams"][0]["clips"]] == ["read", "read"]
    assert report["exams"][0]["written_to"] == str(tmp_path / "out/AF-0001/2026-05-14")


def test_quiet_batch_prints_nothing(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    done = clutchlight("batch", root, "--out", tmp_path / "out", "--quiet")
    assert done == CommandResult(0, "", "")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGXCPU])
def test_interrupted_batch_is_130_and_can_be_continued(
    clutchlight: Clutchlight, root: Path, tmp_path: Path, number: int
) -> None:
    arguments = ["batch", str(root), "--out", str(tmp_path / "out"), "--quiet"]
    process = subprocess.Popen(
        [sys.executable, str(COMMAND), *arguments],
        env={**ENVIRONMENT, "BLOB_SECONDS": "0.2"},
        stderr=subprocess.PIPE,
        text=True,
        # In the background of a shell SIGINT is ignored, under nohup SIGHUP, and child processes inherit that.
        preexec_fn=partial(signal.signal, number, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 60
    while not (tmp_path / "out" / "clutchlight.sqlite").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(1.0)
    process.send_signal(number)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == ExitCode.INTERRUPTED
    assert errors == "Interrupted. Run the same command again to continue; finished clips are kept.\n"
    assert clutchlight(*arguments).code == ExitCode.DONE


@pytest.mark.parametrize(
    "error",
    [
        MemoryError(),
        ImportError("libtorch_cpu.so: failed to map segment from shared object"),
        OSError(errno.ENOMEM, os.strerror(errno.ENOMEM)),
        RuntimeError("std::bad_alloc"),
    ],
)
def test_too_little_memory_is_a_sentence(error: Exception, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(typer.Exit) as left, handle_errors(traceback=False):
        raise error
    assert left.value.exit_code == ExitCode.UNEXPECTED
    assert capsys.readouterr().err.startswith("The memory is used up.")


def test_second_run_in_the_same_folder_is_75(root: Path, tmp_path: Path) -> None:
    with hold_lock(tmp_path / "out"):
        done = run_in_a_process("batch", root, "--out", tmp_path / "out")
    assert done.returncode == ExitCode.LOCKED
    assert f"another run is using this folder (process {os.getpid()})" in done.stderr


def test_settings_file_is_used_and_its_mistakes_are_reported(
    clutchlight: Clutchlight, root: Path, tmp_path: Path
) -> None:
    (tmp_path / "mine.toml").write_text("[ingest]\nminimum_side_px = 200\n")
    done = clutchlight("batch", root, "--out", tmp_path / "out", "--settings", tmp_path / "mine.toml")
    assert done.code == ExitCode.NOTHING_USABLE
    assert "192 x 160 pixels, less than 200" in done.stderr
    (tmp_path / "mine.toml").write_text("[ingest]\n\nminimum_side = 200\n")
    done = clutchlight("batch", root, "--out", tmp_path / "out", "--settings", tmp_path / "mine.toml")
    assert done.code == ExitCode.USAGE
    assert "mine.toml, line 3" in done.stderr
    assert "minimum_side" in done.stderr


def test_unexpected_error_is_one_sentence_and_with_traceback_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*arguments: object, **options: object) -> None:
        raise RuntimeError("no memory")

    monkeypatch.setattr("pipeline.night.unattended_run.run_batch_with_signatures", broken)
    arguments = ["batch", str(tmp_path), "--out", str(tmp_path / "out")]
    assert app.main(arguments) == ExitCode.UNEXPECTED
    assert capsys.readouterr().err.strip().splitlines() == [
        "Unexpected RuntimeError: no memory. Run again with --traceback to see where the error arose."
    ]
    assert app.main([*arguments, "--traceback"]) == ExitCode.UNEXPECTED
    assert "in broken" in capsys.readouterr().err


def test_nothing_raw_from_a_file_reaches_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    raw = "codec \x1b[31m\x9b2J\u202e says no"
    clip = ClipReport("1.mp4", ClipStatus.REFUSED, raw)
    exams = (
        ExamReport("AF-0001", DATE, Path("x"), ExamStatus.FAILED, raw, (), None, f"Traceback:\n{raw}"),
        ExamReport("AF-0002", DATE, Path("x"), ExamStatus.WRITTEN, None, (clip,), None),
    )
    report = BatchReport(Path("root"), Path("out"), exams, (ExamProblem(Path("y"), raw),), None, failure=raw)
    print_report(report, quiet=False, as_json=False, traceback=True)
    with pytest.raises(typer.Exit), handle_errors(traceback=False):
        raise StoreError(raw)
    printed = capsys.readouterr()
    assert printed.err.count("codec ") == 6
    assert (printed.out + printed.err).replace("\n", "").isprintable()


def write_two_exams(folder: Path, *, seed: int, progress: Callable[[int, int], None]) -> None:
    """Stands in for the phantoms of the demo: two animals with ground truth."""
    write_exam_folder(folder, "AF-0001", {"left-1.mp4": 2}, seed=seed)
    write_exam_folder(folder, "AF-0002", {"left-1.mp4": 0}, seed=seed + 5)
    progress(2, 2)
    counts = {"AF-0001": {"follicle": 0, "thin-shelled": 0, "calcified": 2}}
    counts["AF-0002"] = {"follicle": 0, "thin-shelled": 0, "calcified": 0}
    truth = {
        animal: {"date": DATE, "species": None, "in_animal": each, "seen": each} for animal, each in counts.items()
    }
    (folder / "animals.json").write_text(json.dumps(truth))


def test_demo_compares_counts_with_ground_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("synthetic.film.clips.write_demo", write_two_exams)
    monkeypatch.setattr(batch_runner, "load_detector", load_blob_finder)
    assert app.main(["demo", "--out", str(tmp_path / "words")]) == ExitCode.DONE
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[:2] == ["animal", "species"]
    assert lines[1].startswith("AF-0001")
    assert "none seen" in lines[2]
    assert lines[-1] == f"Open {(tmp_path / 'words' / 'results' / 'index.html').as_uri()}"
    assert app.main(["demo", "--out", str(tmp_path / "json"), "--json"]) == ExitCode.DONE
    rows = json.loads(capsys.readouterr().out)
    assert [(row["animal"], row["crossed"]) for row in rows] == [("AF-0001", 2), ("AF-0002", 0)]


def test_bench_measures_data_sets_and_egg_free_exams(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(batch_runner, "load_detector", load_blob_finder)
    write_exam_folder(tmp_path / "set", "AF-0001", {"left-1.mp4": 1}, date=DATE)
    write_exam_folder(tmp_path / "free", "AF-0002", {"left-1.mp4": 1}, date=DATE)
    eggs = [
        object_annotation(frame + 1, 3, [40.0, 50.0, 12.0, 12.0, 0.0], ignored=frame not in range(15, 25))
        for frame in range(40)
    ]
    write_truth(tmp_path / "set", eggs, animals=("AF-0001",), frames=40, carried=1, crossed=1)
    sets = ["bench", "accuracy", str(tmp_path / "set"), "--egg-free", str(tmp_path / "free"), "--quiet"]
    assert app.main([*sets, "--out", str(tmp_path / "out")]) == ExitCode.DONE
    table = capsys.readouterr().out
    assert "set: 1 animal, 40 frames, 40 of them used" in table
    assert "free: 1 animal, 40 frames" in table
    assert app.main([*sets, "--out", str(tmp_path / "out"), "--json"]) == ExitCode.DONE
    written = (tmp_path / "out" / "figures.json").read_text()
    assert written == capsys.readouterr().out
    first, second = json.loads(written)
    assert first["detection"]["classes"]["calcified"]["recall"] == 1.0
    assert sorted(path.name for path in (tmp_path / "out").glob("*.svg")) == ["1-set.svg", "2-free.svg"]
    assert second["detection"]["egg_free_clips"]["confident_per_frame"] == pytest.approx(31 / 40)


def test_bench_without_data_sets_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main(["bench", "accuracy", "--out", str(tmp_path / "out")]) == ExitCode.USAGE
    assert "--egg-free" in capsys.readouterr().err


def exam_report(status: str, *clips: str) -> ExamReport:
    listed = tuple(ClipReport(f"{number}.mp4", ClipStatus(clip), None) for number, clip in enumerate(clips))
    return ExamReport("AF-0001", "2026-05-14", Path("x"), ExamStatus(status), None, listed, None)


@pytest.mark.parametrize(
    ("exams", "code"),
    [
        ([exam_report("written", "read", "kept")], ExitCode.DONE),
        ([exam_report("unchanged", "kept")], ExitCode.DONE),
        ([exam_report("written", "read", "refused")], ExitCode.SOME_UNUSABLE),
        ([exam_report("written", "refused")], ExitCode.NOTHING_USABLE),
        ([], ExitCode.NOTHING_USABLE),
        ([exam_report("failed"), exam_report("written", "read")], ExitCode.UNEXPECTED),
        ([exam_report("failed", "refused")], ExitCode.UNEXPECTED),
    ],
)
def test_exit_code_of_a_batch(exams: list[ExamReport], code: ExitCode) -> None:
    assert batch_exit_code(BatchReport(Path("root"), Path("out"), tuple(exams), (), None)) == code


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (LockedError("locked"), ExitCode.LOCKED),
        (OutputError("no space"), ExitCode.UNEXPECTED),
        (ExamRootError("no such folder"), ExitCode.USAGE),
        (StoreError("no database"), ExitCode.USAGE),
    ],
)
def test_exit_code_of_an_error(error: ClutchlightError, code: ExitCode) -> None:
    assert exit_code_of(error) == code
