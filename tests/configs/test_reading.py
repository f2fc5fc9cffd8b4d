from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from configs import ConfigError, config_path, read_toml
from configs.reading import _key_lines


class Recording(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    file: str
    window: Literal["left", "right"] | None = None
    mm_per_px: Annotated[float, Field(gt=0, le=5)] | None = None


class Card(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    animal: str
    date: dt.date | None = None
    passed_before: Annotated[int, Field(ge=0)] = 0
    clip: tuple[Recording, ...] = ()


def write(folder: Path, text: str) -> Path:
    path = folder / "card.toml"
    path.write_text(text, encoding="utf-8")
    return path


def error_message(path: Path) -> str:
    with pytest.raises(ConfigError) as caught:
        read_toml(path, Card)
    return str(caught.value)


def test_a_valid_file_is_read(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        'animal = "A"\ndate = 2026-05-14\n[[clip]]\nfile = "a.mp4"\nmm_per_px = 1\n[[clip]]\nfile="b.mp4"\n',
    )
    card = read_toml(path, Card)
    assert card.date == dt.date(2026, 5, 14)
    assert [clip.mm_per_px for clip in card.clip] == [1.0, None]


def test_windows_text_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "card.toml"
    path.write_bytes(b'\xef\xbb\xbfanimal = "A"\r\npassed_before = 2\r\n')
    assert read_toml(path, Card).passed_before == 2


def test_all_problems_are_listed_with_file_line_and_key(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        'animal = "A"\n'
        "passed_befor = 1\n"
        "\n"
        "[[clip]]\n"
        'file = "left.mp4"\n'
        "[[clip]]  # the second\n"
        'file = "right.mp4"\n'
        'window = "rihgt"\n'
        "mm_per_px = -0.2\n",
    )
    assert error_message(path).split("\n") == [
        f"{path}, line 2, key 'passed_befor': unknown key; did you mean 'passed_before'?",
        f"{path}, line 8, key 'clip[2].window': expected 'left' or 'right', got 'rihgt'.",
        f"{path}, line 9, key 'clip[2].mm_per_px': expected greater than 0, got -0.2.",
    ]


def test_unknown_key_within_a_table_is_compared_with_the_keys_of_that_table(tmp_path: Path) -> None:
    path = write(tmp_path, 'animal = "A"\n[[clip]]\nfile = "a"\n[[clip]]\nfile = "b"\nwindwo = "left"\n')
    assert error_message(path) == f"{path}, line 6, key 'clip[2].windwo': unknown key; did you mean 'window'?"


def test_an_unknown_key_without_similar_ones_lists_the_valid_keys(tmp_path: Path) -> None:
    path = write(tmp_path, 'animal = "A"\nzzz = 1\n')
    assert "unknown key. Valid keys here: animal, clip, date, passed_before." in error_message(path)


def test_an_unknown_key_gets_the_three_most_similar_keys_that_the_file_does_not_have(tmp_path: Path) -> None:
    class Track(BaseModel):
        model_config = ConfigDict(extra="forbid")
        neutral_score: float = 0.4
        new_track_score: float = 0.4
        association_score: float = 0.3
        still_image_score: float = 0.6
        maximum_existence: float = 0.99

    path = write(tmp_path, "neutral_score = 0.4\nfollow_score = 0.3\n")
    with pytest.raises(ConfigError) as caught:
        read_toml(path, Track)
    assert str(caught.value) == (
        f"{path}, line 2, key 'follow_score': unknown key; did you mean 'still_image_score', "
        "'association_score' or 'new_track_score'? Valid keys here: association_score, maximum_existence, "
        "neutral_score, new_track_score, still_image_score."
    )


def test_missing_key_names_the_table_it_is_missing_from(tmp_path: Path) -> None:
    path = write(tmp_path, 'animal = "A"\n[[clip]]\nfile = "a"\n[[clip]]\nwindow = "left"\n')
    assert error_message(path) == f"{path}, line 4, key 'clip[2].file': missing; add it."


@pytest.mark.parametrize("value", ["true", '"2"', "2.5", "[2]"])
def test_values_are_not_converted(tmp_path: Path, value: str) -> None:
    path = write(tmp_path, f'animal = "A"\npassed_before = {value}\n')
    assert "line 2, key 'passed_before': expected a valid integer" in error_message(path)


@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_numbers_that_are_not_finite_are_refused(tmp_path: Path, value: str) -> None:
    path = write(tmp_path, f'animal = "A"\n[[clip]]\nfile = "a"\nmm_per_px = {value}\n')
    assert "line 4, key 'clip[1].mm_per_px'" in error_message(path)


def test_a_syntax_error_names_line_and_key(tmp_path: Path) -> None:
    path = write(tmp_path, '# card\nanimal = "A"\npassed_before = \n')
    assert error_message(path).startswith(f"{path}, line 3, key 'passed_before': not valid TOML: Invalid value")


def test_a_truncated_file_is_refused_with_line_and_key(tmp_path: Path) -> None:
    path = write(tmp_path, 'animal = "A"\ndate = 2026-05-14\nclip = [')
    assert error_message(path).startswith(f"{path}, line 3, key 'clip': not valid TOML")


def test_a_repeated_key_is_refused_with_its_line(tmp_path: Path) -> None:
    path = write(tmp_path, 'animal = "A"\nanimal = "B"\n')
    assert f"{path}, line 2, key 'animal': not valid TOML" in error_message(path)


def test_other_encodings_deep_nesting_and_large_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "card.toml"
    path.write_bytes(b'animal = "A"\n# \xe9\n')
    assert "line 2: not UTF-8" in error_message(path)
    path.write_text("a = " + "[\n" * 1500, encoding="utf-8")
    assert "nested too deeply" in error_message(path)
    path.write_text("#" * (1 << 20) + "\n", encoding="utf-8")
    assert "larger than" in error_message(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param(f"passed_before = {'9' * 900}\n", "more than 64 bits", id="long number"),
        pytest.param(f"passed_before = 0x{'f' * 900}\n", "more than 64 bits", id="long hex number"),
        pytest.param(f"passed_before = {'9' * 4301}\n", "line 1: longer than 1000 characters", id="unreadable number"),
        pytest.param(f"passed_before = 0x{'f' * 9000}\n", "line 1: longer than 1000", id="unwritable number"),
        pytest.param(f"a{'.a' * 400} = 1\n", "nested too deeply", id="dotted key"),
        pytest.param(f"{'a.' * 450}a = 1\n" * 2, "not valid TOML", id="dotted key twice"),
        pytest.param(f"[{'a.' * 450}a]\nb = 1\n", "nested too deeply", id="dotted table"),
        pytest.param(f"{'a' * 800_000} = 1\n", "larger than 65536 bytes", id="key of 0.8 MB"),
        pytest.param(f"{'a' * 900} = 1\n", f"key '{'a' * 99}…': unknown key", id="long key"),
        pytest.param("[[clip]]\n" * 60_000, "larger than 65536 bytes", id="60,000 tables"),
        pytest.param("[[clip]]\n" * 1900, "1881 more problems", id="1,900 tables"),
        pytest.param("#\n" * 2001, "more than 2000 lines", id="many lines"),
        pytest.param("a = [\n" + ("1," * 25 + "\n") * 1200 + "]\nb = 1\n", "unknown key", id="long array"),
        pytest.param(
            "".join(f"a{number}.{'b.' * 15}c.d = 1\n" for number in range(1500)), "nested too deeply", id="many keys"
        ),
    ],
)
def test_oversized_content_is_refused_within_seconds(tmp_path: Path, text: str, message: str) -> None:
    start = time.process_time()
    assert message in error_message(write(tmp_path, text))
    assert time.process_time() - start < 5.0


@pytest.mark.parametrize(
    "text",
    [
        '"\\u001b[31mkey" = 1\n',
        '"\\u200bkey\\u2028" = 1\n',
        '"key\\n/etc: all is well" = 1\n',
        'animal = 1\n"\\u009b2J".key = 1\n',
        'passed_before = "\\u001b]0;title\\u0007"\n',
        "passed_before\x1b = 1\n",
        "passed_before\u200b = 1\n",
        '"\x9b" = 1\n"\x9b" = 1\n',
        '["a (at line 99, column 1)\\u001b"]\n["a (at line 99, column 1)\\u001b"]\n',
    ],
)
def test_messages_hold_nothing_raw_from_the_file(tmp_path: Path, text: str) -> None:
    lines = error_message(write(tmp_path, text)).split("\n")
    assert all(line.isprintable() and line.startswith(str(tmp_path)) for line in lines), lines


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    assert "cannot be read: No such file" in error_message(tmp_path / "none.toml")
    assert "cannot be read" in error_message(tmp_path)


def test_defaults_replace_missing_keys(tmp_path: Path) -> None:
    path = write(tmp_path, "passed_before = 3\n")
    card = read_toml(path, Card, defaults={"animal": "A", "passed_before": 1})
    assert (card.animal, card.passed_before) == ("A", 3)


def test_config_path_finds_shipped_files_only() -> None:
    assert config_path("settings.toml").is_file()
    with pytest.raises(ConfigError, match="is missing; install the program again"):
        config_path("none.toml")


def test_line_numbers_in_unusual_but_valid_text() -> None:
    text = (
        "'quoted key' = 1\n"
        "list = [  # [not.a.table]\n"
        '  "a = 1",\n'
        "]\n"
        'note = """\n'
        "[[clip]]\n"
        'file = 1"""\n'
        "a.b = { c = 1 }\n"
        "[[clip]]\n"
        "[clip.more]\n"
        "deep = 1\n"
        "[[clip]]\n"
        "file = 'x'\n"
    )
    lines = _key_lines(text)
    assert lines["quoted key",] == 1
    assert lines["list",] == 2
    assert lines["note",] == 5
    assert lines["a", "b", "c"] == 8
    assert lines["clip", 0] == 9
    assert lines["clip", 0, "more", "deep"] == 11
    assert lines["clip", 1] == 12
    assert lines["clip", 1, "file"] == 13


@given(st.lists(st.integers(min_value=0, max_value=3), min_size=1, max_size=6), st.data())
def test_every_clip_has_its_own_line_number(blank_lines: list[int], data: st.DataObject) -> None:
    text = ""
    expected = {}
    for index, blanks in enumerate(blank_lines):
        text += "\n" * blanks + "[[clip]]\n" + "# note\n" * data.draw(st.integers(0, 2))
        expected[index] = text.count("\n") + 1
        text += f'file = "clip {index}"\n'
    lines = _key_lines(text)
    assert {index: lines["clip", index, "file"] for index in expected} == expected
