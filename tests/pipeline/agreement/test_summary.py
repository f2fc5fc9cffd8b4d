"""Agreement in numbers and sentences, and its page."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from pipeline.agreement.page import agreement_html, write_agreement_page
from pipeline.agreement.pairs import MatchRule, Station
from pipeline.agreement.summary import AgreementSummary, summarise_agreement
from pipeline.agreement.text import agreement_lines, outcome_text, sample_size_caveat
from pipeline.exams.outcomes import Outcome
from pipeline.report.summary import ExamSummary
from tests.pipeline.agreement.conftest import exam, outcome


def agreement_of(pairs: Sequence[tuple[int, int]], **of_exam: str) -> AgreementSummary:
    """The agreement of animals with these estimates and outcomes."""
    exams = [exam(1, estimate, animal=f"AF-{n}", **of_exam) for n, (estimate, _) in enumerate(pairs)]  # type: ignore[arg-type]
    outcomes = [outcome("laid", 5, known, animal=f"AF-{n}") for n, (_, known) in enumerate(pairs)]
    return summarise_agreement([Station(exams, outcomes)], MatchRule())


def mixed() -> AgreementSummary:
    exams: list[ExamSummary] = [
        exam(1, 8, animal="AF-1", species="Emys orbicularis", scanned_by="K. Sedge"),
        exam(1, 6, animal="AF-2", species="Emys orbicularis", scanned_by="R. Alder"),
        exam(1, 4, animal="AF-3", species="Testudo hermanni", scanned_by="K. Sedge"),
        exam(1, 5, animal="AF-4", species=None),
        exam(1, 5, animal="AF-5"),
        exam(1, 5, animal="AF-6", frames_used=0),
    ]
    known = {"AF-1": 9, "AF-2": 9, "AF-3": 4, "AF-4": 4}
    outcomes: list[Outcome] = [outcome("radiograph", 2, number, animal=animal) for animal, number in known.items()]
    return summarise_agreement([Station(exams, outcomes)], MatchRule())


def test_statistics_over_all_pairs_and_by_group() -> None:
    agreement = mixed()
    assert (agreement.exams, agreement.overall.pairs) == (5, 4)  # an exam without a usable clip is not counted
    assert (agreement.overall.exact, agreement.overall.within_one, agreement.overall.within_interval) == (1, 3, 3)
    assert agreement.overall.limits is not None
    assert agreement.overall.limits.bias == pytest.approx((-1 - 3 + 0 + 1) / 4)
    assert [(name, each.pairs, each.within_interval) for name, each in agreement.by_species] == [
        ("Emys orbicularis", 2, 1),
        ("Testudo hermanni", 1, 1),
        ("unknown", 1, 1),
    ]
    assert [(name, each.pairs, each.exact) for name, each in agreement.by_operator] == [
        ("K. Sedge", 2, 1),
        ("R. Alder", 1, 0),
        ("unknown", 1, 0),
    ]


def test_the_document_is_json_and_contains_every_pair() -> None:
    document = json.loads(json.dumps(mixed().document(), allow_nan=False))
    assert document["schema"] == "clutchlight/agreement/1"
    assert document["rule"] == {"max_days_to_radiograph": 7, "max_days_to_first_egg": 28, "max_days_between_eggs": 7}
    assert document["by_scanned_by"][0]["scanned_by"] == "K. Sedge"
    assert document["pairs"][1] == {
        "station": None,
        "animal": "AF-2",
        "exam": "2026-05-02",
        "species": "Emys orbicularis",
        "scanned_by": "R. Alder",
        "estimate": 6,
        "interval90": [5, 8],
        "known": 9,
        "outcomes": [{"outcome": "radiograph", "date": "2026-05-03", "number": 9}],
        "difference": -3,
        "inside": False,
    }


@pytest.mark.parametrize(
    ("pairs", "expected"),
    [
        ([], "No exam has an outcome yet"),
        ([(8, 8)], "One pair is too few"),
        ([(8, 8)] * 3, "3 pairs are few, and all have the same difference"),
        # Differences 0 and 2: SD 1.414, t of 1 degree 12.706, so 12.7 for the mean and 22.0 for a limit.
        ([(8, 8), (10, 8)], "2 pairs are few: the mean may be off by 12.7 and each limit by 22.0 eggs either way."),
    ],
)
def test_few_pairs_have_a_caveat(pairs: Sequence[tuple[int, int]], expected: str) -> None:
    agreement = agreement_of(pairs)
    caveat = sample_size_caveat(agreement.overall)
    assert caveat is not None
    assert caveat.startswith(expected)
    assert agreement_lines(agreement)[-1] == caveat
    assert caveat in agreement_html(agreement).decode()


def test_thirty_pairs_need_no_caveat() -> None:
    agreement = agreement_of([(8, 8), (8, 9), (9, 8)] * 10)
    assert sample_size_caveat(agreement.overall) is None
    assert "few" not in "".join(agreement_lines(agreement))


def test_lines_for_a_terminal() -> None:
    assert agreement_lines(agreement_of([(8, 8), (10, 8)]))[:5] == [
        "2 pairs of estimate and outcome from 2 exams",
        "Within the 90 % range  1 of 2: 50 %, 95 % CI 9\N{EN DASH}91 %",
        "Exact, within one egg  1, 1 of 2",
        "Mean difference        +1.0 eggs (1.0 too many on average)",
        "Limits of agreement    \N{MINUS SIGN}1.8 to +3.8 eggs",
    ]


def test_outcomes_are_summed_by_kind() -> None:
    outcomes = [outcome("laid", 1, 2), outcome("surgery", 2, 3), outcome("laid", 3, 3)]
    assert outcome_text(outcomes) == "5 laid, 3 removed"


def test_the_page_of_an_earlier_version_is_removed(tmp_path: Path) -> None:
    (tmp_path / "record.html").write_text("of an earlier version")
    path = write_agreement_page(tmp_path, agreement_of([(8, 8), (9, 8)]))
    assert [found.name for found in tmp_path.iterdir()] == [path.name] == ["agreement.html"]
    write_agreement_page(tmp_path, agreement_of([(8, 8)]))


def test_text_that_people_wrote_is_escaped_on_the_page() -> None:
    page = agreement_html(agreement_of([(8, 8), (9, 8)], scanned_by="<b>K</b>", species='"><script>')).decode()
    assert "<script>" not in page
    assert "<b>K</b>" not in page
    assert "&lt;b&gt;K&lt;/b&gt;" in page


def test_animals_of_one_name_at_two_stations_are_two_animals() -> None:
    marsh = Station([exam(1, 8, animal="AF-1")], [outcome("laid", 5, 7, animal="AF-1")], "Marsh")
    hill = Station([exam(1, 3, animal="AF-1"), exam(1, 2, animal="AF-2")], [], "Hill <1>", "../hill")
    agreement = summarise_agreement([hill, marsh], MatchRule())
    assert [(pair.station.name, pair.estimate, pair.known_count) for pair in agreement.pairs] == [("Marsh", 8, 7)]
    assert (agreement.exams, [name for name, _ in agreement.by_station]) == (3, ["Marsh"])
    laid = [outcome("laid", 5, 4, animal="AF-1")]
    both = summarise_agreement([Station(hill.summaries, laid, hill.name, hill.folder), marsh], MatchRule())
    assert [pair.known_count for pair in both.pairs] == [4, 7]
    assert [(name, each.pairs) for name, each in both.by_station] == [("Hill <1>", 1), ("Marsh", 1)]
    page = agreement_html(both).decode()
    assert 'href="../hill/AF-1/2026-05-02/report.html"' in page
    assert "Hill &lt;1&gt;" in page
