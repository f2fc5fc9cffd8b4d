"""No page shows a sentence that is in no catalogue, and the language changes no result."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from fastapi.testclient import TestClient

from pipeline.agreement.page import write_agreement_page
from pipeline.agreement.pairs import MatchRule, Station
from pipeline.agreement.summary import summarise_agreement
from pipeline.estimate.flags.raised_flag import RaisedFlag
from pipeline.exams.outcomes import Outcome
from pipeline.report.links import Neighbours
from pipeline.report.season import Night, NightlyRun, SeasonList
from pipeline.report.season_files import write_season_files
from pipeline.review.web.app import make_app
from pipeline.review.web.app_context import open_app_context
from pipeline.settings import Settings
from pipeline.settings_tables import PageSettings
from tests.pipeline.language.pseudo_language import PSEUDO, bare_words, page_texts, pseudo_language
from tests.pipeline.report.pdf.test_sheet_pdf import text_of
from tests.pipeline.review.conftest import BASE, EXAM, HOST, SETTINGS, UNCERTAIN_EXAM

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

FLAGS = (
    RaisedFlag.of("unreliable-count", confidence="41 %", estimate="7 ± 1").flag,
    RaisedFlag.of("poor-scan", used=12, frames=400).flag,
    RaisedFlag.of("none-seen").flag,
    RaisedFlag.of("odd-shape", eggs="number 3 and number 5", sources="").flag,
)
# What stands on pages and is no sentence: who and what, files and formats.
NAMES = {
    *("Alder", "Fen", "Orla", "Finch", "Clutchlight", "Emys", "orbicularis", "Testudo", "hermanni", "boettgeri"),
    *("left", "right", "mp4", "report", "html", "exam", "toml", "recordings", "SHA", "sweep", "test", "median"),
    *("veterinarian", "Fritz", "Zuffi", "from", "memory", "rule"),  # with the sources of the examples
}


@pytest.fixture(scope="module")
def examples(
    clutch: ExampleExam, empty: ExampleExam, returning: ExampleExam, uncertain: ExampleExam
) -> tuple[ExampleExam, ...]:
    """With flags of the catalogue, and no clip that was refused for a reason that nobody gives."""
    usable = [replace(one, scans=tuple(s for s in one.scans if s.status == "done")) for one in (clutch, returning)]
    all_of_them = (*usable, empty, uncertain)
    return tuple(replace(one, finding=replace(one.finding, flags=FLAGS)) for one in all_of_them)


def write_all(out: Path, examples: tuple[ExampleExam, ...], language: str) -> None:
    pages = PageSettings(station="Alder Fen", review_address="http://127.0.0.1:8017", language=language)
    neighbours = Neighbours("AF-0413/2026-05-14", "AF-0414/2026-05-14")
    for example in examples:
        replace(example, pages=pages, neighbours=neighbours).write(out)
    summaries = [example.summary for example in examples]
    laid = [Outcome(example.exam.animal, "laid", example.exam.date, 4) for example in examples]
    write_agreement_page(out, summarise_agreement([Station(summaries, laid)], MatchRule()), pages)
    run = NightlyRun(dt.datetime(2026, 5, 15, 3, 0, tzinfo=dt.UTC), 4, 9, "recordings")
    seasons = SeasonList("2026", summaries, ("2026", "2025"), "2026", Night((), (), run))
    write_season_files(out, seasons, {}, pages)


@pytest.fixture(scope="module")
def pseudo(tmp_path_factory: pytest.TempPathFactory, examples: tuple[ExampleExam, ...]) -> Iterator[Path]:
    out = tmp_path_factory.mktemp("pseudo")
    with pseudo_language():
        write_all(out, examples, PSEUDO)
        yield out


def test_no_page_of_the_batch_has_a_bare_sentence(pseudo: Path) -> None:
    pages = sorted(pseudo.rglob("*.html"))
    assert {page.name for page in pages} >= {"index.html", "rescan.html", "agreement.html", "report.html"}
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert f'<html lang="{PSEUDO}">' in text
        assert bare_words(page_texts(text), NAMES) == set(), page


def test_no_sheet_on_paper_has_a_bare_sentence(pseudo: Path) -> None:
    for sheet in pseudo.rglob("report.pdf"):
        # What is cut off has lost its bracket, and a word may be broken.
        text = re.sub(r"⟦[^⟦⟧]*…", " ", text_of(sheet.read_bytes()).replace("\ufffe", ""))
        assert bare_words(text, NAMES) == set(), sheet


def test_results_and_tables_are_the_same_in_every_language(tmp_path: Path, examples: tuple[ExampleExam, ...]) -> None:
    for language in ("en", "de"):
        write_all(tmp_path / language, examples, language)
    same = ("*.json", "*.csv", "*.txt", "thumbnail.jpg", "*.parquet")
    names = [path for pattern in same for path in sorted((tmp_path / "en").rglob(pattern)) if path.is_file()]
    assert len(names) > 10
    for path in names:
        assert (tmp_path / "de" / path.relative_to(tmp_path / "en")).read_bytes() == path.read_bytes()
    sheet = (tmp_path / "de" / "AF-0412" / "2026-05-14" / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in sheet
    assert "14. Mai 2026" in sheet
    assert "beschalte Eier" in sheet
    pdf = (tmp_path / "de" / "AF-0412" / "2026-05-14" / "report.pdf").read_bytes()
    assert b"/Lang (de)" in pdf
    assert "Was zu tun ist" in text_of(pdf)


def logged_in(out: Path, language: str) -> TestClient:
    settings: Settings = SETTINGS.model_copy(update={"pages": PageSettings(language=language)})
    context = open_app_context(out, settings, allowed_hosts=frozenset({HOST}), needs_login=False)
    client = TestClient(make_app(context), base_url=BASE)
    client.post("/login/names", json={"name": "Orla Finch", "role": "veterinarian"})
    client.post("/login", json={"name": "Orla Finch"})
    return client


def shown_texts(value: Any) -> Iterator[str]:
    """The texts of a document that are sentences, not keys, addresses or names of files."""
    keys = {"description", "certainty", "certainty_text", "reason", "what", "range", "at_least", "count_text", "noun"}
    if isinstance(value, dict):
        for key, one in value.items():
            if key in keys and isinstance(one, str):
                yield one
            else:
                yield from shown_texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from shown_texts(one)


def test_no_page_of_the_review_has_a_bare_sentence(out: Path) -> None:
    with pseudo_language(), logged_in(out, PSEUDO) as client:
        for address in ("/", "/login", EXAM, UNCERTAIN_EXAM, "/exams/none/2026-01-01"):
            page = client.get(address).text
            # Names of the batch's animals are scripts, and stand in brackets of their own.
            assert bare_words(page_texts(page), NAMES | {"img", "src", "onerror", "alert", "onfocus"}) == set(), address
        for exam in (EXAM, UNCERTAIN_EXAM):
            texts = list(shown_texts(client.get(f"{exam}/state").json()))
            assert len(texts) > 3
            assert bare_words(" ".join(texts), NAMES) == set()
        refused = client.post(f"{EXAM}/answers", json={}, headers={"x-clutchlight-token": "none"})
        assert refused.json()["reason"].startswith("⟦")


def test_the_review_answers_in_the_language_of_the_pages_and_stores_english(out: Path) -> None:
    with logged_in(out, "de") as client:
        page = client.get(EXAM).text
        assert '<html lang="de">' in page
        assert "Befunde" in page
        sentences = json.loads(page.split('id="sentences">')[1].split("</script>")[0])
        assert sentences["decimal_mark"] == ","
        assert sentences["sentences"]["Cancel"] == "Abbrechen"
        state = client.get(f"{EXAM}/state").json()
        token = page.split('name="csrf-token" content="')[1].split('"')[0]
        signed = client.post(
            f"{EXAM}/answers",
            json={
                "request_id": "request-1",
                "base_sequence": state["head"],
                "fingerprint": state["fingerprint"],
                "answer": {"kind": "signed"},
            },
            headers={"x-clutchlight-token": token},
        )
        assert signed.status_code == 200
    folder = out / "AF-0412" / "2026-05-14"
    assert "Unterschrieben von" in (folder / "signed.html").read_text(encoding="utf-8")
    document = json.loads((folder / "signed.json").read_text(encoding="utf-8"))
    batch = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert document["result"]["flags"] == batch["flags"]
