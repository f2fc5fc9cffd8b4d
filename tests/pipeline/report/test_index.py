"""The index: order of priority, rows, links, and what could not be processed."""

from __future__ import annotations

import base64
import datetime as dt
import gzip
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.estimate.results import Flag
from pipeline.exams.exam_search import ExamProblem
from pipeline.report.index import index_pages
from pipeline.report.priority import index_group, priority_group
from pipeline.report.season import Night, NightlyRun, SeasonList, lasting_index_of
from pipeline.report.summary import ExamSummary, summarise
from pipeline.settings_tables import PageSettings
from tests.pipeline.report.one_season import index_html, write_overview_files

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


def summaries_of(example_exams: tuple[ExampleExam, ...]) -> list[ExamSummary]:
    return [example.summary for example in example_exams]


def test_animals_that_need_a_review_come_first(example_exams: tuple[ExampleExam, ...]) -> None:
    page = index_html(summaries_of(example_exams)[::-1], []).decode()
    places = [page.index(f">{animal}</a>") for animal in ("AF-0412", "AF-0414", "AF-0413", "AF-0415")]
    assert places == sorted(places)
    assert "1 animal needs a vet today" in page
    assert "2 to check" in page


def test_an_animal_not_scanned_is_to_be_checked_even_without_a_flag(refused: ExampleExam) -> None:
    summary = summarise(refused.exam, replace(refused.finding, flags=()), refused.scans)
    assert priority_group(summary) == "check"


def test_the_least_certain_of_a_group_come_first(clutch: ExampleExam) -> None:
    confidences = {"AF-1": (0.9, 0.9), "AF-2": (0.9, 0.4), "AF-3": (0.5, 0.9)}
    summaries = [
        summarise(
            replace(clutch.exam, animal=animal),
            replace(clutch.finding, confidence=confidence, stage_probability=stage_probability),
            clutch.scans,
        )
        for animal, (confidence, stage_probability) in confidences.items()
    ]
    page = index_html(summaries, []).decode()
    places = [page.index(f">{animal}</a>") for animal in ("AF-2", "AF-3", "AF-1")]
    assert places == sorted(places)


def test_only_her_last_exam_sets_the_priority_of_an_animal(clutch: ExampleExam) -> None:
    later = replace(clutch.exam, date=clutch.exam.date + dt.timedelta(days=7))
    unflagged = replace(clutch.finding, flags=())
    page = index_html([summarise(later, unflagged, clutch.scans), clutch.summary], []).decode()
    assert "No animal was flagged for the vet today" in page
    rest, earlier = page.index("<h2>Nothing to check"), page.index("<h2>Earlier exams")
    assert rest < page.index(f"/{later.date}/report.html") < earlier < page.index(f"/{clutch.exam.date}/report.html")


def test_only_the_page_s_own_script_may_run(example_exams: tuple[ExampleExam, ...]) -> None:
    page = index_html(summaries_of(example_exams), []).decode()
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'\"" in page
    assert "<script" not in index_html([], []).decode()


def test_rows_have_count_range_and_link(example_exams: tuple[ExampleExam, ...]) -> None:
    page = index_html(summaries_of(example_exams), []).decode()
    assert "7 shelled eggs" in page
    assert "likely 6 to 9" in page
    assert 'href="AF-0412/2026-05-14/report.html"' in page
    assert "1 of 3 refused" in page
    assert "no shelled eggs seen" in page
    assert "not scanned" in page


def test_the_pdf_and_the_agreement_page_are_linked_if_they_exist(clutch: ExampleExam, tmp_path: Path) -> None:
    summary = clutch.summary
    clutch.write(tmp_path)
    write_overview_files(tmp_path, [summary])
    page = (tmp_path / "index.html").read_text()
    (pdf,) = re.findall(r'href="([^"]*\.pdf)"', page)
    assert (tmp_path / pdf).is_file()
    assert 'href="agreement.html"' not in page
    (tmp_path / "agreement.html").write_text("")
    write_overview_files(tmp_path, [summary])
    assert 'href="agreement.html"' in (tmp_path / "index.html").read_text()


def test_the_change_since_her_last_exam_is_shown(returning: ExampleExam, clutch: ExampleExam) -> None:
    page = index_html([example.summary for example in (returning, clutch)], []).decode()
    assert page.count("earlier; ") == 1
    assert "2 to 5 fewer shelled eggs than on 8 May 2026" in page


def test_an_exam_to_be_scanned_again_has_its_own_group_and_says_what_to_do(empty: ExampleExam, tmp_path: Path) -> None:
    task = "Scan her right side again, with more gel: only 40 % of the beams had contact."
    flag = Flag("narrow-contact", "check", "right-1.mp4: little contact.", rescan=task)
    summary = summarise(empty.exam, replace(empty.finding, flags=(flag,)), empty.scans)
    assert (priority_group(summary), index_group(summary)) == ("check", "rescan")
    write_overview_files(tmp_path, [summary])
    page, slip = ((tmp_path / name).read_text() for name in ("index.html", "rescan.html"))
    assert "1 to scan again." in page
    assert f"rescan</span> {task}" in page
    assert 'href="rescan.html"' in page
    assert task in slip
    assert summary.exam.animal in slip
    note = replace(flag, severity="note")
    assert index_group(summarise(empty.exam, replace(empty.finding, flags=(note,)), empty.scans)) == "rest"


def test_the_slip_leaves_out_animals_that_need_no_other_scan(clutch: ExampleExam, tmp_path: Path) -> None:
    write_overview_files(tmp_path, [clutch.summary])
    assert "No animal was flagged for another scan." in (tmp_path / "rescan.html").read_text()


def test_a_flagged_row_shows_the_doubtful_object_and_says_what_to_do(clutch: ExampleExam, tmp_path: Path) -> None:
    flags = (Flag("large-egg", "check", "Number 3 is large.", "Check on the picture.", eggs=(3,)),)
    finding = replace(clutch.finding, flags=flags)
    replace(clutch, finding=finding).write(tmp_path)
    page = index_html([summarise(clutch.exam, finding, clutch.scans)], []).decode()
    (picture,) = re.findall(r'<img src="([^"]+)"[^>]*alt="Number 3: flagged, calcified"', page)
    assert (tmp_path / picture).read_bytes()[:2] == b"\xff\xd8"
    assert "<i>Check on the picture.</i>" in page
    unflagged = index_html([summarise(clutch.exam, replace(finding, flags=()), clutch.scans)], []).decode()
    assert "<img" not in unflagged


def test_what_was_not_counted_is_named_in_the_row_also_without_a_flag(uncertain: ExampleExam) -> None:
    summary = summarise(uncertain.exam, replace(uncertain.finding, flags=()), uncertain.scans)
    page = index_html([summary], []).decode()
    assert f'<a href="{summary.folder}/report.html#uncounted">1 uncertain object not counted' in page


def test_a_row_states_one_probability(clutch: ExampleExam) -> None:
    page = index_html([clutch.summary], []).decode()
    row = page.split('<tr class="exam"')[1].split("</tr>")[0]
    assert re.findall(r"\d+ %", re.sub(r"<title>.*?</title>", "", row)) == ["76 %"]
    stated = replace(clutch.finding, flags=(Flag("low-confidence", "check", "Only 62 % sure of the count."),))
    row = index_html([summarise(clutch.exam, stated, clutch.scans)], []).decode().split('<tr class="exam"')[1]
    assert re.findall(r"\d+ %", re.sub(r"<title>.*?</title>", "", row.split("</tr>")[0])) == ["62 %"]


def test_the_page_says_whose_it_is_when_the_run_ended_and_what_it_covered(clutch: ExampleExam) -> None:
    pages = PageSettings(station="Alder Fen", time_zone="Europe/Dublin")
    run = NightlyRun(dt.datetime(2026, 5, 15, 3, 12, tzinfo=dt.UTC), 1, 3, "/exams")
    page = index_html([clutch.summary], [], pages=pages, run=run).decode()
    assert "Run ended 15 May 2026, 04:12. It covered 1 exam with 3 clips under /exams" in page
    assert 'data-ended="2026-05-15T03:12:00+00:00"' in page
    assert "Alder Fen" in page


def test_the_tables_can_be_downloaded(clutch: ExampleExam, tmp_path: Path) -> None:
    write_overview_files(tmp_path, [clutch.summary])
    files = re.findall(r'<a href="([^"]+)" download>', (tmp_path / "index.html").read_text())
    assert len(files) == 4
    assert all((tmp_path / file).is_file() for file in files)


def test_links_are_quoted(clutch: ExampleExam) -> None:
    exam = replace(clutch.exam, animal='a "b" #1?/<c>')
    page = index_html([summarise(exam, clutch.finding, clutch.scans)], []).decode()
    link = page.split('<td class="animal"><a href="')[1].split('"')[0]
    assert set(link) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.~/%")
    assert "&lt;c&gt;" in page


def test_what_could_not_be_processed_is_listed_with_its_reason() -> None:
    problems = [ExamProblem(Path("b"), "b: <empty>"), ExamProblem(Path("a"), "a: no clips")]
    page = index_html([], problems).decode()
    assert "No exam was processed" in page
    assert page.index("a: no clips") < page.index("b: &lt;empty&gt;")
    assert "2 entries could not be processed" in page


def test_other_seasons_are_linked_and_list_no_priorities(clutch: ExampleExam, empty: ExampleExam) -> None:
    seasons = ("2026", "2025")
    earlier = replace(clutch.exam, date=clutch.exam.date.replace(year=2025))
    summary = replace(clutch.summary, exam=earlier, folder=f"{earlier.animal}/{earlier.date}")
    page = index_pages(SeasonList("2025", [summary], seasons, "2026"))["index-2025.html"].decode()
    assert "needs a vet" not in page
    assert "<h2>Not signed" in page
    assert 'href="index.html">2026</a>' in page
    assert 'href="summary-2025.csv"' in page
    page = index_pages(SeasonList("2026", [empty.summary], seasons, "2026", Night([summary])))["index.html"].decode()
    assert "1 animal needs a vet today" in page
    assert f'href="{summary.folder}/report.html"' in page
    assert "and 1 exam of other seasons that waits for a person" in page
    assert 'href="index-2025.html">2025</a>' in page


def test_a_season_keeps_a_name_that_leads_to_it_when_it_is_no_longer_the_current_one(clutch: ExampleExam) -> None:
    assert lasting_index_of(clutch.exam.date, PageSettings()) == "index-2026.html"
    assert lasting_index_of(clutch.exam.date, PageSettings(season_first_month=7)) == "index-2025-2026.html"
    current = index_pages(SeasonList("2026", [clutch.summary], ("2026",), "2026", Night()))
    assert b'content="0; url=index.html"' in current["index-2026.html"]
    earlier = index_pages(SeasonList("2026", [clutch.summary], ("2027", "2026"), "2027"))
    assert clutch.exam.animal in earlier["index-2026.html"].decode()


def test_only_the_exams_of_the_season_are_in_its_search(clutch: ExampleExam, empty: ExampleExam) -> None:
    exams = SeasonList("2026", [empty.summary], ("2026",), "2026", Night([clutch.summary]))
    script = index_pages(exams)["index-2026.js"].decode()
    season, text = json.loads(f"[{script.removeprefix('addSeason(').removesuffix(');' + chr(10))}]")
    rows = json.loads(gzip.decompress(base64.b64decode(text)))
    assert season == "2026"
    assert [row[0] for row in rows] == [empty.exam.animal]


def test_the_same_night_gives_the_same_bytes(example_exams: tuple[ExampleExam, ...]) -> None:
    summaries = summaries_of(example_exams)
    assert index_html(summaries, []) == index_html(summaries[::-1], [])
