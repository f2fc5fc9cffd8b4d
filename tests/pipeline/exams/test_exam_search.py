"""Finding exams: folders, side files, and everything that is refused."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

import pytest

from pipeline.exams import exam_folder
from pipeline.exams.exam_file import ExamFile
from pipeline.exams.exam_search import ExamRootError, ExamSearch, find_exams

DAY = dt.date(2026, 5, 14)


def write(path: Path, text: str = "not decoded here") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def refusals(search: ExamSearch) -> dict[str, str | None]:
    """The refusal of each clip of the first exam, by file."""
    return {clip.file: clip.refusal for clip in search.exams[0].clips}


def reasons(search: ExamSearch) -> list[str]:
    return [problem.reason for problem in search.problems]


def test_folder_names_give_animal_and_date_without_a_side_file(tmp_path: Path) -> None:
    for name in ("right_2.AVI", "left-1.mp4", "sweep.MOV", "leftover.png", "notes.txt", "._left-1.mp4"):
        write(tmp_path / "AF-0412" / "2026-05-14" / name)
    search = find_exams(tmp_path)
    assert search.problems == ()
    (exam,) = search.exams
    assert (exam.animal, exam.date, exam.species, exam.passed_before) == ("AF-0412", DAY, None, 0)
    assert [(clip.file, clip.window) for clip in exam.clips] == [
        ("left-1.mp4", "left"),
        ("leftover.png", None),
        ("right_2.AVI", "right"),
        ("sweep.MOV", None),
    ]
    assert all(clip.mm_per_px is None and clip.depth_mm is None for clip in exam.clips)
    assert exam.clips[0].path == tmp_path.resolve() / "AF-0412" / "2026-05-14" / "left-1.mp4"


def test_side_file_is_read_and_other_clips_are_still_found(tmp_path: Path) -> None:
    folder = tmp_path / "tuesday"
    write(
        folder / "exam.toml",
        'animal = "AF-0412"\nspecies = "Emys orbicularis"\ndate = 2026-05-14\nweight_g = 830\n'
        'carapace_mm = 152\ncarapace_width_mm = 118\npassed_before = 2\nscanned_by = "K. Sedge"\n'
        '[[clip]]\nfile = "left-1.mp4"\nwindow = "right"\nmm_per_px = 0.22\n'
        '[[clip]]\nfile = "b.mp4"\ndepth_mm = 90\n',
    )
    for name in ("left-1.mp4", "b.mp4", "right-3.mp4"):
        write(folder / name)
    search = find_exams(tmp_path)
    assert search.problems == ()
    (exam,) = search.exams
    assert (exam.animal, exam.species, exam.weight_g) == ("AF-0412", "Emys orbicularis", 830.0)
    assert (exam.carapace_mm, exam.carapace_width_mm, exam.passed_before) == (152.0, 118.0, 2)
    assert exam.scanned_by == "K. Sedge"
    assert [(clip.file, clip.window, clip.mm_per_px, clip.depth_mm) for clip in exam.clips] == [
        ("b.mp4", None, None, 90.0),
        ("left-1.mp4", "right", 0.22, None),
        ("right-3.mp4", "right", None, None),
    ]


def test_root_may_be_the_animal_or_the_exam_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "AF-1" / "2026-05-14" / "left.mp4")
    monkeypatch.chdir(tmp_path / "AF-1" / "2026-05-14")
    for root in (tmp_path / "AF-1", Path(), tmp_path / "AF-1" / "2026-05-14"):
        (exam,) = find_exams(root).exams
        assert (exam.animal, exam.date) == ("AF-1", DAY)


def test_exams_are_sorted_by_animal_and_date(tmp_path: Path) -> None:
    for name in ("B/2026-05-14", "A/2026-05-15", "A/2026-05-14"):
        write(tmp_path / name / "left.mp4")
    found = [(exam.animal, exam.date.day) for exam in find_exams(tmp_path).exams]
    assert found == [("A", 14), ("A", 15), ("B", 14)]


def test_hidden_folders_are_not_searched(tmp_path: Path) -> None:
    write(tmp_path / "A" / "2026-05-14" / "left.mp4")
    write(tmp_path / ".trash" / "A" / "2026-05-14" / "left.mp4")
    search = find_exams(tmp_path)
    assert len(search.exams) == 1
    assert search.problems == ()


def test_root_that_is_not_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ExamRootError, match="no such folder"):
        find_exams(tmp_path / "none")
    with pytest.raises(ExamRootError, match="no such folder"):
        find_exams(write(tmp_path / "file"))


def test_empty_root_and_empty_exam_are_problems(tmp_path: Path) -> None:
    assert "holds no recording" in reasons(find_exams(tmp_path))[0]
    write(tmp_path / "A" / "2026-05-14" / "scan.pdf")
    write(tmp_path / "B" / "exam.toml", 'animal = "B"\ndate = 2026-05-14\n')
    search = find_exams(tmp_path)
    assert search.exams == ()
    assert [problem.path.name for problem in search.problems] == ["2026-05-14", "B"]
    assert "it holds scan.pdf" in reasons(search)[0]


def test_every_mistake_in_a_side_file_is_listed_and_other_exams_are_found(tmp_path: Path) -> None:
    side = write(
        tmp_path / "bad" / "exam.toml",
        'animal = "A"\nspecis = "Emys"\ndate = 2026-05-14\n[[clip]]\nfile = "left.mp4"\nmm_per_px = 22\n',
    )
    write(tmp_path / "bad" / "left.mp4")
    write(tmp_path / "B" / "2026-05-14" / "left.mp4")
    search = find_exams(tmp_path)
    assert [exam.animal for exam in search.exams] == ["B"]
    (reason,) = reasons(search)
    assert f"{side}, line 2, key 'specis': unknown key; did you mean 'species'?" in reason
    assert f"{side}, line 6, key 'clip[1].mm_per_px': expected less than or equal to 5, got 22" in reason


@pytest.mark.parametrize(
    ("clips", "message"),
    [
        (
            '[[clip]]\nfile = "a.mp4"\n[[clip]]\nfile = "a.mp4"\n',
            "line 1, key 'clip': the file 'a.mp4' has two",
        ),
        ('[[clip]]\nfile = "a.mp4"\nmm_per_px = 0.2\ndepth_mm = 90\n', "line 1, key 'clip[1]': has both"),
        ('[[clip]]\nfile = "a.mp4"\ndepth_mm = 9000\n', "line 3, key 'clip[1].depth_mm'"),
    ],
)
def test_contradictions_in_the_side_file(tmp_path: Path, clips: str, message: str) -> None:
    write(tmp_path / "A" / "2026-05-14" / "exam.toml", clips)
    write(tmp_path / "A" / "2026-05-14" / "a.mp4")
    search = find_exams(tmp_path)
    assert search.exams == ()
    assert message in reasons(search)[0]


def test_missing_clip_is_a_problem_of_that_clip_alone(tmp_path: Path) -> None:
    folder = tmp_path / "A" / "2026-05-14"
    write(folder / "exam.toml", '[[clip]]\nfile = "gone.mp4"\n[[clip]]\nfile = "../../b.mp4"\n')
    write(folder / "left.mp4")
    write(tmp_path / "b.mp4")
    search = find_exams(tmp_path)
    assert list(refusals(search).values()).count(None) == 1
    assert "exam.toml names this file, but it is missing" in str(refusals(search)["gone.mp4"])
    assert "may only name files in its own folder" in str(refusals(search)["../../b.mp4"])


def test_two_exams_of_one_animal_and_date_are_both_refused(tmp_path: Path) -> None:
    write(tmp_path / "AF-1" / "2026-05-14" / "left.mp4")
    write(tmp_path / "late" / "exam.toml", 'animal = "af-1"\ndate = 2026-05-14\n')
    write(tmp_path / "late" / "right.mp4")
    write(tmp_path / "AF-1" / "2026-05-15" / "left.mp4")
    search = find_exams(tmp_path)
    assert [exam.date.day for exam in search.exams] == [15]
    (reason,) = reasons(search)
    assert str(tmp_path / "AF-1" / "2026-05-14") in reason
    assert str(tmp_path / "late") in reason


@pytest.mark.parametrize("date", ["yesterday", "2026-13-01", "2026-5-1", "20260514"])
def test_unknown_date(tmp_path: Path, date: str) -> None:
    write(tmp_path / "A" / date / "left.mp4")
    assert "the date of this exam is unknown" in reasons(find_exams(tmp_path))[0]


@pytest.mark.parametrize("animal", ["", "  ", "..", "a/b", "a\\b", "a:b", "nul", "a.", " a", "\\u0007", "a" * 101])
def test_animal_that_cannot_name_a_folder(tmp_path: Path, animal: str) -> None:
    quoted = animal if animal.startswith("\\u") else animal.replace("\\", "\\\\")
    write(tmp_path / "x" / "exam.toml", f'animal = "{quoted}"\ndate = 2026-05-14\n')
    write(tmp_path / "x" / "left.mp4")
    search = find_exams(tmp_path)
    assert search.exams == ()
    assert "the animal's id" in reasons(search)[0]


@pytest.mark.parametrize(
    ("side", "message"),
    [
        ("date = 0001-01-01\n", "the date of this exam, 0001-01-01, is not from 1950 to 2199"),
        ("date = 9999-12-31\n", "the date of this exam, 9999-12-31, is not from 1950 to 2199"),
        ('species = "\\u200b=1+1"\n', "key 'species': holds control or invisible characters"),
        ('scanned_by = "a\\u0000b"\n', "key 'scanned_by': holds control or invisible characters"),
        ('animal = "AF\\u200b-1"\n', "holds control or invisible characters"),
        ('[[clip]]\nfile = "a\\u0000/b.mp4"\n', "key 'clip[1].file': holds control or invisible characters"),
        (f"a{'.a' * 400} = 1\n", "nested too deeply"),
        ("clip = [" + '{file="a"},\n' * 501 + "]\n", "should have at most 500 items"),
    ],
)
def test_hostile_side_file_is_refused_in_a_line_and_other_exams_are_found(
    tmp_path: Path, side: str, message: str
) -> None:
    day = write(tmp_path / "A" / "2026-05-14" / "left.mp4").parent
    write(day / "exam.toml", side)
    write(tmp_path / "B" / "2026-05-14" / "left.mp4")
    search = find_exams(tmp_path)
    assert [exam.animal for exam in search.exams] == ["B"]
    (reason,) = reasons(search)
    assert message in reason
    assert reason.isprintable()


def test_date_of_year_1_in_a_folder_name_is_refused(tmp_path: Path) -> None:
    write(tmp_path / "A" / "0001-01-01" / "left.mp4")
    search = find_exams(tmp_path)
    assert search.exams == ()
    assert "is not from 1950 to 2199; correct it" in reasons(search)[0]


def test_clip_whose_escaped_name_is_very_long_is_refused_alone(tmp_path: Path) -> None:
    day = write(tmp_path / "A" / "2026-05-14" / "left.mp4").parent
    write(day / ("\x1b" * 200 + ".mp4"))
    search = find_exams(tmp_path)
    assert sorted(map(len, refusals(search))) == [len("left.mp4"), 4 * 200 + len(".mp4")]
    assert refusals(search)["left.mp4"] is None


def test_unexpected_error_in_one_exam_does_not_end_the_search(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(path: Path, model: type[ExamFile]) -> ExamFile:
        raise ValueError("\x1b[31m" + "x" * 5000)

    monkeypatch.setattr(exam_folder, "read_toml", broken)
    write(write(tmp_path / "A" / "2026-05-14" / "left.mp4").parent / "exam.toml")
    write(tmp_path / "B" / "2026-05-14" / "left.mp4")
    search = find_exams(tmp_path)
    assert [exam.animal for exam in search.exams] == ["B"]
    (reason,) = reasons(search)
    assert "unexpected ValueError" in reason
    assert reason.isprintable()
    assert len(reason) < 500


def test_links_out_of_the_root_are_refused(tmp_path: Path) -> None:
    outside = write(tmp_path / "outside" / "left.mp4").parent
    folder = tmp_path / "root" / "A" / "2026-05-14"
    write(folder / "left.mp4")
    (folder / "right.mp4").symlink_to(outside / "left.mp4")
    (folder / "again.mp4").symlink_to(folder / "left.mp4")
    (folder / "nowhere.mp4").symlink_to(folder / "none.mp4")
    (tmp_path / "root" / "B").symlink_to(outside)
    (tmp_path / "root" / "cycle").symlink_to(tmp_path / "root")
    search = find_exams(tmp_path / "root")
    assert refusals(search) == {
        "again.mp4": None,
        "left.mp4": None,
        "nowhere.mp4": "a link that leads nowhere; copy the file itself.",
        "right.mp4": "a link that leads out of the recordings' folder; copy the file itself.",
    }
    assert [problem.path.name for problem in search.problems] == ["B"]
    assert "leads out of" in reasons(search)[0]


def test_pipes_and_names_with_control_characters_are_refused(tmp_path: Path) -> None:
    folder = tmp_path / "A" / "2026-05-14"
    write(folder / "left.mp4")
    write(folder / "ri\nght.mp4")
    write(folder / os.fsdecode(b"\xff.mp4"))
    write(folder / "to\\left.mp4")
    os.mkfifo(folder / "pipe.mp4")
    write(tmp_path / "B\x1b[31m" / "2026-05-14" / "left.mp4")
    (tmp_path / os.fsdecode(b"C\xff")).mkdir()
    search = find_exams(tmp_path)
    assert refusals(search) == {
        "left.mp4": None,
        "pipe.mp4": "not a regular file; remove it.",
        r"ri\nght.mp4": "its name holds control or invisible characters; rename it.",
        "to\\left.mp4": "its name holds a backslash, which separates folders on Windows; rename it.",
        r"\udcff.mp4": "its name holds control or invisible characters; rename it.",
    }
    assert len(search.problems) == 2
    assert all(reason.isprintable() for reason in reasons(search))
    assert all(str(clip.path).isprintable() for clip in search.exams[0].clips)


def test_unreadable_folder_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Tests may run as root, who can read everything, so the error is simulated.
    write(tmp_path / "A" / "2026-05-14" / "left.mp4")
    write(tmp_path / "B" / "2026-05-14" / "left.mp4")
    scandir = os.scandir

    def scandir_or_fail(path: str | os.PathLike[str]) -> object:
        if Path(path).name == "B":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", scandir_or_fail)
    search = find_exams(tmp_path)
    assert [exam.animal for exam in search.exams] == ["A"]
    assert "folder cannot be read: Permission denied" in reasons(search)[0]


def test_folder_of_stills_in_an_exam_is_one_clip(tmp_path: Path) -> None:
    day = tmp_path / "A" / "2026-05-14"
    for number in (1, 2, 10):
        write(day / "left-1" / f"frame{number}.png")
        write(day / "right" / f"frame{number}.TIF")
    write(day / "left-1" / "notes.txt")
    write(day / "single.png")
    write(day / "exam.toml", '[[clip]]\nfile = "right"\nmm_per_px = 0.2\n')
    search = find_exams(tmp_path)
    assert search.problems == ()
    (exam,) = search.exams
    assert [(clip.file, clip.window, clip.mm_per_px) for clip in exam.clips] == [
        ("left-1", "left", None),
        ("right", "right", 0.2),
        ("single.png", None, None),
    ]


def test_folders_of_stills_elsewhere_are_not_clips(tmp_path: Path) -> None:
    write(tmp_path / "A" / "2026-05-14" / "1.png")  # an exam of its own
    write(tmp_path / "A" / "left" / "1.png")  # inside no exam
    write(tmp_path / "B" / "2026-05-14" / "left" / "1.png")
    write(tmp_path / "B" / "2026-05-14" / "left" / "clip.mp4")  # more than stills
    search = find_exams(tmp_path)
    assert [(exam.animal, [clip.file for clip in exam.clips]) for exam in search.exams] == [("A", ["1.png"])]
    assert len(search.problems) == 2
    assert all("the date of this exam is unknown" in reason for reason in reasons(search))


def test_folder_of_stills_with_a_link_or_pipe_is_refused(tmp_path: Path) -> None:
    outside = write(tmp_path / "outside" / "secret.png")
    day = tmp_path / "root" / "A" / "2026-05-14"
    for name in ("left", "pipe", "right"):
        write(day / name / "1.png")
    (day / "left" / "2.png").symlink_to(outside)
    os.mkfifo(day / "pipe" / "2.png")
    (day / "away").symlink_to(outside.parent)
    search = find_exams(tmp_path / "root")
    assert refusals(search) == {
        "left": "2.png: a link that leads out of the recordings' folder; copy the file itself.",
        "pipe": "2.png: not a regular file; remove it.",
        "right": None,
    }
    assert [problem.path.name for problem in search.problems] == ["away"]
    assert "leads out of" in reasons(search)[0]
