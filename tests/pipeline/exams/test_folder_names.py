"""Names of files and folders: safe on every system, and never shared."""

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
def test_safe_name_is_kept(name: str) -> None:
    assert safe_name(name) == name


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../up", "a/b", "a\\b", "nul", "COM1.x", "a:b", "tail.", "tail ", "x" * 300, "~a"]
)
def test_unsafe_name_is_replaced(name: str) -> None:
    assert safe_name(name) != name


@given(texts)
def test_every_safe_name_is_one_path_component(name: str) -> None:
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


def test_clips_with_the_same_stem_keep_their_file_names() -> None:
    assert clip_file_stems(["a.mp4", "a.avi", "b.mp4"]) == {"a.mp4": "a.mp4", "a.avi": "a.avi", "b.mp4": "b"}
    assert clip_file_stems(["A.mp4", "a.avi"]) == {"A.mp4": "A.mp4", "a.avi": "a.avi"}


@given(st.lists(st.text(min_size=1, max_size=20), unique=True, max_size=6))
def test_stems_are_unique(files: list[str]) -> None:
    stems = clip_file_stems(files)
    assert set(stems) == set(files)
    assert len(set(stems.values())) >= len({safe_name(file) for file in files})


def test_animal_cannot_take_the_name_of_an_overview_file(clutch: ExampleExam) -> None:
    assert str(exam_folder(clutch.exam)) == "AF-0412/2026-05-14"
    folder = exam_folder(replace(clutch.exam, animal="index.html"))
    assert folder.parts[0] not in ("index.html", "INDEX.HTML")


@given(texts)
def test_relative_url_is_the_quoted_path(name: str) -> None:
    path = PurePosixPath(safe_name(name)) / "report.html"
    assert unquote(relative_url(path)) == str(path)
    assert not set(relative_url(path)) & set(' "<>#?%') - {"%"}
