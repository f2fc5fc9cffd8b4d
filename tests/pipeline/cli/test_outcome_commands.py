"""``clutchlight outcome`` and ``clutchlight agreement``: output, exit codes, and what is stored."""

from __future__ import annotations

import json
import shutil
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

import pytest
from pydantic import TypeAdapter

from pipeline.batch.stored_summaries import read_summaries
from pipeline.cli import app
from pipeline.cli.exit_codes import ExitCode
from pipeline.night.night_record import NightRecord, write_night
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import recorded_outcomes
from pipeline.report.summary import ExamSummary
from pipeline.store.lock import hold_lock
from pipeline.store.store import Store, StoredExam
from tests.pipeline.agreement.conftest import exam


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """An output folder with the exams of two animals, as the batch stores them."""
    summaries = [exam(1, 8, animal="AF-0001", scanned_by="K. Sedge"), exam(1, 6, animal="AF-0002")]
    with Store(tmp_path) as store:
        run = store.start_run(settings_sha256="s", model_sha256="m", engine="openvino")
        for summary in summaries:
            document = TypeAdapter(ExamSummary).dump_json(summary).decode()
            # Without the field, as it was stored before the field existed.
            document = document.replace(',"scanned_by":null', "")
            store.save_exam(StoredExam(summary.exam.animal, summary.exam.date.isoformat(), "f", document, ()), run)
    return tmp_path


def test_summaries_stored_without_scanned_by_are_still_read(out: Path) -> None:
    with Store(out) as store:
        assert ["scanned_by" in exam.summary_json for exam in store.exams()] == [True, False]
        summaries, problems = read_summaries(store.exams(), out)
    assert [summary.exam.scanned_by for summary in summaries] == ["K. Sedge", None]
    assert problems == []


def test_recorded_outcomes_appear_in_the_agreement(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    laid = ["outcome", "--out", str(out), "AF-0001", "laid", "--date", "2026-05-10", "--who", "R. Alder"]
    for number in ("7", "6", "7"):  # corrected twice
        assert app.main([*laid, "--number", number]) == ExitCode.DONE
    assert capsys.readouterr().out == "1 outcome recorded\n" * 3
    assert app.main(["agreement", "--out", str(out)]) == ExitCode.DONE
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "1 pair of estimate and outcome from 2 exams"
    assert lines[-2:] == [
        "One pair is too few to show how far estimates and outcomes usually differ.",
        f"Open {out / 'agreement.html'}",
    ]
    page = (out / "agreement.html").read_text(encoding="utf-8")
    assert "7 laid" in page
    assert "by K. Sedge" in page
    assert "AF-0001/2026-05-02/report.html" in page
    assert app.main([*laid, "--withdrawn"]) == ExitCode.DONE
    assert app.main(["agreement", "--out", str(out), "--json"]) == ExitCode.DONE
    assert json.loads(capsys.readouterr().out.partition("\n")[2])["pairs"] == []
    with closing(Journal(out)) as journal:
        assert [(one.number, one.withdrawn) for one in recorded_outcomes(journal)] == [
            (7, False),
            (6, False),
            (7, False),
            (None, True),
        ]


def test_within_limits_the_days_after_an_exam(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    app.main(["outcome", "--out", str(out), "AF-0001", "laid", "--date", "2026-06-05", "--number", "6", "--quiet"])
    for days, pairs in ((28, 0), (40, 1)):
        assert app.main(["agreement", "--out", str(out), "--within", str(days), "--json"]) == ExitCode.DONE
        assert len(json.loads(capsys.readouterr().out)["pairs"]) == pairs


def test_importing_a_file_again_adds_only_new_rows(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = out / "outcomes.csv"
    table.write_text("animal,outcome,date,number\nAF-0001,laid,2026-05-10,6\n", encoding="utf-8")
    arguments = ["outcome", "--out", str(out), "--csv", str(table)]
    assert app.main(arguments) == ExitCode.DONE
    with table.open("a", encoding="utf-8") as file:
        file.write("AF-0009,radiograph,2026-05-12,4\n")
    assert app.main([*arguments, "--json"]) == ExitCode.DONE
    output = capsys.readouterr()
    assert json.loads(output.out.partition("\n")[2]) == {"recorded": 1, "known_before": 1, "without_exam": ["AF-0009"]}
    assert output.err == f"AF-0009: {out} holds no exam of this animal. The outcome was recorded; check the id.\n"


def test_file_with_a_mistake_is_rejected_whole(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = out / "outcomes.csv"
    table.write_text("animal,outcome,date\nAF-0001,laid,2026-05-10\nAF-0002,lost,2026-05-10\n", encoding="utf-8")
    assert app.main(["outcome", "--out", str(out), "--csv", str(table)]) == ExitCode.USAGE
    assert "outcomes.csv, line 3, column 'outcome'" in capsys.readouterr().err
    with closing(Journal(out)) as journal:
        assert recorded_outcomes(journal) == []


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["AF-0001"], "Give ANIMAL, KIND and --date"),
        (["AF-0001", "laid"], "Give ANIMAL, KIND and --date"),
        (["AF-0001", "laid", "--date", "2026-05-10", "--csv", "x.csv"], "Give --csv alone"),
        (["AF-0001", "sold", "--date", "2026-05-10"], "outcome: expected one of laid"),
        (["AF-0001", "laid", "--date", "tomorrow"], "date: expected a date like"),
    ],
)
def test_wrong_usage_is_2(out: Path, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main(["outcome", "--out", str(out), *arguments]) == ExitCode.USAGE
    assert message in capsys.readouterr().err


def test_folder_without_results_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["agreement"], ["outcome", "AF-0001", "laid", "--date", "2026-05-10"]):
        assert app.main([*arguments, "--out", str(tmp_path / "slip")]) == ExitCode.USAGE
        assert "slip: this folder holds no results" in capsys.readouterr().err
    assert not (tmp_path / "slip").exists()


def test_commands_fail_while_a_run_holds_the_lock(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with hold_lock(out):
        for arguments in (["agreement"], ["outcome", "AF-0001", "laid", "--date", "2026-05-10"]):
            assert app.main([*arguments, "--out", str(out)]) == ExitCode.LOCKED
    assert "another run is using this folder" in capsys.readouterr().err


def test_a_page_over_two_stations(out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path.parent / f"{tmp_path.name} hill"
    shutil.copytree(out, other)
    write_night(other, NightRecord("2026-05-14T02:00:00+00:00", "/recordings", station="Hill"))
    assert app.main(["outcome", "--out", str(other), "AF-0001", "laid", "--date", "2026-05-10", "--number", "7"]) == 0
    capsys.readouterr()
    assert app.main(["agreement", "--out", str(out), "--other-station", str(other), "--json"]) == ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["exams"] == 4
    assert [(pair["station"], pair["animal"]) for pair in document["pairs"]] == [("Hill", "AF-0001")]
    page = (out / "agreement-stations.html").read_text(encoding="utf-8")
    assert f"../{quote(other.name)}/AF-0001/2026-05-02/report.html" in page
    assert not (out / "agreement.html").exists()
