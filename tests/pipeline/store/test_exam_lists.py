"""Lists of exams: the same order, filters and counts as by hand, whatever is signed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete

from pipeline.store.exam_lists import ExamQuery, ListedStore
from pipeline.store.schema import ExamRow
from pipeline.store.store import ExamListing, StoredExam

ANIMALS = ("AF-1", "af-2", "Ägir", "B%_'", "Straße \N{GREEK CAPITAL LETTER SIGMA}")
DATES = ("2025-05-14", "2026-05-14")
SPECIES = ("", "Emys orbicularis", "Émys")
LISTINGS = st.tuples(st.integers(0, 2), st.sampled_from((0.1, 0.5, 0.9)), st.sampled_from(("", ",check,", ",note,")))
QUERIES = st.builds(
    ExamQuery,
    is_signed=st.sampled_from((None, True, False)),
    date=st.sampled_from(("", *DATES)),
    severity=st.sampled_from(("", "check", "che")),
    animal=st.sampled_from(("", "AF", "ägir", "%", "_'", "STRASSE \N{GREEK SMALL LETTER FINAL SIGMA}")),
    species=st.sampled_from(("", "EMYS", "émys")),
)


def matches(exam: StoredExam, query: ExamQuery, signed: set[tuple[str, str]]) -> bool:
    listing = exam.listing
    return (
        query.is_signed in (None, (exam.animal, exam.date) in signed)
        and query.date in ("", exam.date)
        and (not query.severity or f",{query.severity}," in listing.severities)
        and query.animal.casefold() in exam.animal.casefold()
        and query.species.casefold() in listing.species.casefold()
    )


@pytest.fixture
def listed(folder: Path) -> Iterator[ListedStore]:
    with ListedStore(folder) as store:
        yield store


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(st.tuples(st.sampled_from(ANIMALS), st.sampled_from(DATES)), LISTINGS, max_size=8),
    st.sets(st.tuples(st.sampled_from(ANIMALS), st.sampled_from(DATES)), max_size=4),
    QUERIES,
    st.integers(0, 3),
)
def test_a_page_is_what_matches_in_order_of_urgency(
    listed: ListedStore,
    exams: dict[tuple[str, str], tuple[int, float, str]],
    signed: set[tuple[str, str]],
    query: ExamQuery,
    first: int,
) -> None:
    stored = [
        StoredExam(*key, "f", "{}", (), ExamListing("/".join(key), SPECIES[n % 3], urgency, wrong, severities))
        for n, (key, (urgency, wrong, severities)) in enumerate(exams.items())
    ]
    found = [exam for exam in stored if matches(exam, query, signed)]
    found.sort(key=lambda e: (e.listing.urgency, -e.listing.error_probability, e.listing.folder))
    if query.is_signed is None:
        found.sort(key=lambda exam: (exam.animal, exam.date) in signed)
    with listed._writing() as session:
        session.execute(delete(ExamRow))  # of the example before
    run = listed.start_run(settings_sha256="s", model_sha256="m", engine="openvino")
    for exam in stored:
        listed.save_exam(exam, run)
    everything = {(animal, date) for animal in ANIMALS for date in DATES}
    listed.mark_signed(everything)
    listed.mark_signed(signed, everything - signed)
    page = listed.list_exams(query, first, 2)
    assert page.count == len(found)
    assert list(page.exams) == [(exam.animal, exam.date) for exam in found[first : first + 2]]
    assert listed.species() == sorted({exam.listing.species for exam in stored} - {""})
    assert [row[:2] for row in listed.listed_folders()] == sorted(exams)
    opened = [exam for exam in stored if (exam.animal, exam.date) not in signed]
    opened.sort(key=lambda e: (e.listing.urgency, -e.listing.error_probability, e.listing.folder))
    folders = [None, *(exam.listing.folder for exam in opened), None]
    for place, exam in enumerate(opened):
        assert listed.open_neighbours((exam.animal, exam.date)) == (folders[place], folders[place + 2])
    assert all(listed.open_neighbours(key) == (None, None) for key in signed)


@pytest.mark.parametrize("place", ["", "..", "AF-1", "AF-1/2025-05-14/"])
def test_only_whole_folders_of_listed_exams_are_found(folder: Path, place: str) -> None:
    with ListedStore(folder) as store:
        run = store.start_run(settings_sha256="s", model_sha256="m", engine="openvino")
        store.save_exam(StoredExam("AF-1", "2025-05-14", "f", "{}", (), ExamListing("AF-1/2025-05-14")), run)
        store.save_exam(StoredExam("AF-2", "2025-05-14", "f", "{}", ()), run)  # of another version
        assert store.exam_in(place) is None
        assert store.exam_in("AF-1/2025-05-14") == ("AF-1", "2025-05-14")
        assert store.list_exams(ExamQuery(), 0, 9).count == 1
