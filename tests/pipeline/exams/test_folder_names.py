from __future__ import annotations

import unicodedata
from dataclasses import replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.exams.folder_names import clip_file_stems, exam_folder, relative_url, safe_name

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

texts = st.text(st.characters(codec=None), max_size=300)


@pytest.mark.parametrize("name", ["AF-0412", "Müller 3", "a.b_c-d", "雌龟-7"])
def test_a_harmless_name_is_kept(name: str) -> None:
    assert safe_name(name) == name


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../up", "a/b", "a\\b", "nul", "COM1.x", "a:b", "tail.", "tail ", "x" * 300, "~a"]
)
def test_a_harmful_name_is_replaced(name: str) -> None:
    assert safe_name(name) != name


@given(texts)
def test_every_safe_name_is_one_component(name: str) -> None:
    safe = safe_name(name)
    assert 0 < len(safe.encode()) <= 110
    assert not set(safe) & set('/\\:*?"<>|\0\n')
    assert safe not in (".", "..")
    assert not safe.startswith(".")
    assert safe[-1] not in ". "


@given(texts, texts)
def test_two_names_never_share_a_folder(one: str, other: str) -> None:
    if unicodedata.normalize("NFC", one) != unicodedata.normalize("NFC", other):
        assert safe_name(one) != safe_name(other)


def test_clips_with_one_stem_are_kept_apart() -> None:
    assert clip_file_stems(["a.mp4", "a.avi", "b.mp4"]) == {"a.mp4": "a.mp4", "a.avi": "a.avi", "b.mp4": "b"}
    assert clip_file_stems(["A.mp4", "a.avi"]) == {"A.mp4": "A.mp4", "a.avi": "a.avi"}


@given(st.lists(st.text(min_size=1, max_size=20), unique=True, max_size=6))
def test_labels_are_unique(files: list[str]) -> None:
    labels = clip_file_stems(files)
    assert set(labels) == set(files)
    assert len(set(labels.values())) >= len({safe_name(file) for file in files})


def test_an_animal_cannot_take_the_place_of_a_file_at_the_top(clutch: ExampleExam) -> None:
    assert str(exam_folder(clutch.exam)) == "AF-0412/2026-05-14"
    folder = exam_folder(replace(clutch.exam, animal="index.html"))
    assert folder.parts[0] not in ("index.html", "INDEX.HTML")


@given(texts)
def test_links_lead_back_to_the_path(name: str) -> None:
    path = PurePosixPath(safe_name(name)) / "report.html"
    assert unquote(relative_url(path)) == str(path)
    assert not set(relative_url(path)) & set(' "<>#?%') - {"%"}
