"""The record in numbers and sentences."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pytest

from pipeline.agreement.page import agreement_html
from pipeline.agreement.pairs import MatchRule
from pipeline.agreement.summary import AgreementSummary, summarise_agreement
from pipeline.agreement.text import agreement_lines, format_signed, outcome_words, sample_size_caveat
from pipeline.exams.outcomes import Outcome
from pipeline.report.summary import ExamSummary
from tests.pipeline.agreement.conftest import exam, outcome


def record_of(pairs: Sequence[tuple[int, int]], **of_exam: str) -> AgreementSummary:
    """A record of animals with these estimates and outcomes."""
    exams = [exam(1, estimate, animal=f"AF-{n}", **of_exam) for n, (estimate, _) in enumerate(pairs)]  # type: ignore[arg-type]
    outcomes = [outcome("laid", 5, known, animal=f"AF-{n}") for n, (_, known) in enumerate(pairs)]
    return summarise_agreement(exams, outcomes, MatchRule())


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
    return summarise_agreement(exams, outcomes, MatchRule())


def test_figures_of_all_and_of_groups() -> None:
    record = mixed()
    assert (record.exams, record.overall.pairs) == (5, 4)  # exams without a usable clip are none
    assert (record.overall.exact, record.overall.within_one, record.overall.within_interval) == (1, 3, 3)
    assert record.overall.limits is not None
    assert record.overall.limits.bias == pytest.approx((-1 - 3 + 0 + 1) / 4)
    assert [(name, each.pairs, each.within_interval) for name, each in record.by_species] == [
        ("Emys orbicularis", 2, 1),
        ("Testudo hermanni", 1, 1),
        ("unknown", 1, 1),
    ]
    assert [(name, each.pairs, each.exact) for name, each in record.by_operator] == [
        ("K. Sedge", 2, 1),
        ("R. Alder", 1, 0),
        ("unknown", 1, 0),
    ]


def test_the_document_is_json_and_holds_every_pair() -> None:
    document = json.loads(json.dumps(mixed().document(), allow_nan=False))
    assert document["schema"] == "clutchlight/agreement/1"
    assert document["rule"] == {"max_days_to_radiograph": 7, "max_days_to_first_egg": 28, "max_days_between_eggs": 7}
    assert document["by_scanned_by"][0]["scanned_by"] == "K. Sedge"
    assert document["pairs"][1] == {
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
    ("pairs", "said"),
    [
        ([], "No exam has an outcome yet"),
        ([(8, 8)], "One pair tells nothing"),
        ([(8, 8)] * 3, "3 pairs are few, and all differ alike"),
        # Differences 0 and 2: SD 1.414, t of 1 degree 12.706, so 12.7 for the mean and 22.0 for a limit.
        ([(8, 8), (10, 8)], "2 pairs are few: the mean may be off by 12.7 and each limit by 22.0 eggs either way."),
    ],
)
def test_few_pairs_are_said_to_be_few(pairs: Sequence[tuple[int, int]], said: str) -> None:
    record = record_of(pairs)
    few = sample_size_caveat(record.overall)
    assert few is not None
    assert few.startswith(said)
    assert agreement_lines(record)[-1] == few
    assert few in agreement_html(record).decode()


def test_thirty_pairs_need_no_such_words() -> None:
    record = record_of([(8, 8), (8, 9), (9, 8)] * 10)
    assert sample_size_caveat(record.overall) is None
    assert "few" not in "".join(agreement_lines(record))


def test_lines_for_a_terminal() -> None:
    assert agreement_lines(record_of([(8, 8), (10, 8)]))[:5] == [
        "2 pairs of estimate and outcome from 2 exams",
        "Inside the 90 % range  1 of 2: 50 %, could be 9\N{EN DASH}91 %",
        "Right, within one      1, 1 of 2",
        "Mean difference        +1.0 eggs (1.0 too many on average)",
        "Limits of agreement    \N{MINUS SIGN}1.8 to +3.8 eggs",
    ]


def test_words_of_outcomes_and_signs() -> None:
    assert (
        outcome_words([outcome("laid", 1, 2), outcome("surgery", 2, 3), outcome("laid", 3, 3)]) == "5 laid, 3 taken out"
    )
    assert [format_signed(value) for value in (-0.04, 0.06, -1.26)] == ["0.0", "+0.1", "\N{MINUS SIGN}1.3"]


def test_what_people_wrote_is_escaped_on_the_page() -> None:
    page = agreement_html(record_of([(8, 8), (9, 8)], scanned_by="<b>K</b>", species='"><script>')).decode()
    assert "<script>" not in page
    assert "<b>K</b>" not in page
    assert "&lt;b&gt;K&lt;/b&gt;" in page
