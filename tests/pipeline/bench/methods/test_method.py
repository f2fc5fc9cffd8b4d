"""Functions of anybody's: how they are loaded, what they may answer, and what is said when they fail."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.bench.methods.method import Method, MethodError, Outline, SearchRange, load_method

SOURCE = """
from typing import Annotated
from pipeline.bench.methods.method import SearchRange

BOX = {"bbox": [1, 2, 3, 4], "score": 0.9}

def of_frame(frame, *, level: Annotated[int, SearchRange(10, 20)] = 5, name="x"):
    return [BOX] * int((frame > level).any())

def of_clip(clip, *, skip=0):
    frames = list(clip)
    return [[BOX]] * (len(frames) - skip)

def of_picture(picture):
    return []

def with_argument(frame, level=3):
    return []
"""
DARK, LIGHT = np.zeros((4, 4), np.uint8), np.full((4, 4), 9, np.uint8)


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A module in the current folder."""
    (tmp_path / "somebodys_finder.py").write_text(SOURCE)
    monkeypatch.chdir(tmp_path)
    yield "somebodys_finder"
    sys.modules.pop("somebodys_finder", None)


def test_a_function_of_frames_is_loaded_with_its_settings_and_ranges(module: str) -> None:
    method = load_method(f"{module}:of_frame")
    assert (method.takes_clip, method.settings) == (False, {"level": 5, "name": "x"})
    assert method.ranges == {"level": SearchRange(10, 20)}
    first, second = method.outlines([DARK, LIGHT])
    assert first == []
    assert [(each["bbox"], each["ellipse"], each["track_id"]) for each in second] == [
        ([1.0, 2.0, 3.0, 4.0], [2.5, 4.0, 2.0, 1.5, -90.0], 0)
    ]


def test_settings_can_be_given_with_the_name_and_are_then_not_tuned(module: str) -> None:
    method = load_method(f"{module}:of_frame,level=12,name=y")
    assert (method.name, method.settings, method.ranges) == (f"{module}:of_frame", {"level": 12, "name": "y"}, {})
    with pytest.raises(MethodError, match="has no setting lvl"):
        load_method(f"{module}:of_frame,lvl=12")
    with pytest.raises(MethodError, match="Give a value like 5"):
        load_method(f"{module}:of_frame,level=high")


def test_a_function_of_clips_sees_all_frames_before_it_answers(module: str) -> None:
    method = load_method(f"{module}:of_clip")
    assert method.takes_clip
    assert [len(outlines) for outlines in method.outlines([DARK, LIGHT, DARK])] == [1, 1, 1]


@pytest.mark.parametrize("skip", [1, -1])
def test_too_few_or_too_many_answers_are_an_error(module: str, skip: int) -> None:
    loaded = load_method(f"{module}:of_clip")
    method = Method(loaded.name, loaded.function, True, {"skip": skip}, {})
    with pytest.raises(MethodError, match="does not answer each frame"):
        list(method.outlines([DARK, LIGHT]))


def test_a_clip_that_is_not_read_to_its_end_is_an_error() -> None:
    def lazy(clip: Iterator[NDArray[np.uint8]]) -> Iterator[list[Outline]]:
        next(clip)
        yield []

    with pytest.raises(MethodError, match="does not answer each frame"):
        list(Method("lazy", lazy, True, {}, {}).outlines([DARK, LIGHT]))


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("no_module_of_this_name:find", "cannot be loaded"),
        ("somebodys_finder", "is no method"),
        ("somebodys_finder:nothing", "cannot be loaded"),
        ("somebodys_finder:of_picture", "must be called frame or clip"),
        ("somebodys_finder:with_argument", "level must be given by name only"),
    ],
)
def test_what_is_no_method_is_named(module: str, name: str, message: str) -> None:
    with pytest.raises(MethodError, match=message):
        load_method(name)


@pytest.mark.parametrize("outline", [{"score": 0.5}, {"bbox": [0, 0, 1, 1]}, {"bbox": [0, 0, 1, 1], "score": np.nan}])
def test_an_answer_that_is_no_outline_is_named(outline: Outline) -> None:
    method = Method("mine", lambda frame: [outline], False, {}, {})
    with pytest.raises(MethodError, match="mine fails at frame 0"):
        list(method.outlines([DARK]))


def test_numpy_numbers_become_plain_ones() -> None:
    outline = {"ellipse": np.array([5.0, 6.0, 3.0, 2.0, 0.0]), "score": np.float32(0.5), "track_id": np.int64(3)}
    ((found,),) = Method("mine", lambda frame: [outline], False, {}, {}).outlines([DARK])
    assert [type(found[key]) for key in ("score", "track_id")] == [float, int]
    assert found["ellipse"] == [5.0, 6.0, 3.0, 2.0, 0.0]


def test_ranges_hold_what_they_draw() -> None:
    rng = np.random.default_rng(1)
    whole = {SearchRange(2, 4).draw(rng) for _ in range(100)}
    assert whole == {2, 3, 4}
    low, high = (
        np.array([SearchRange(1.0, 64.0, logarithmic=True).draw(rng) for _ in range(2000)]) < each for each in (8, 64)
    )
    assert low.mean() == pytest.approx(0.5, abs=0.04)
    assert high.all()
