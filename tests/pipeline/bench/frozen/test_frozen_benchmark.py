"""A frozen benchmark is made anywhere, recognised, and refused where it is another one."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from configs.reading import ConfigError
from pipeline.bench.frozen.clip_contents import (
    ClipContents,
    contents_csv,
    read_clip_contents,
    read_contents_csv,
)
from pipeline.bench.frozen.contents_check import BenchmarkError, check_contents
from pipeline.bench.frozen.definition import Benchmark, benchmark_names, open_benchmark
from pipeline.bench.frozen.making import freeze_benchmark, make_benchmark
from pipeline.cli.exit_codes import ExitCode
from synthetic.film import clips as film_clips
from synthetic.film.clips import write_mp4
from synthetic.film.world import all_worlds
from tests.pipeline.conftest import Clutchlight

TINY = """\
title = "Tiny"
about = "One animal."
seed = 7
animals = 1
worlds = "balanced"
clips_per_window = 1
fewest_frames = 1
"""
FRAMES = 4


class ShortBenchmark(Benchmark):
    """Only the first few frames of one clip, so that filming takes no time."""

    def subjects(self) -> list[Any]:
        return [
            replace(each, clips=tuple(replace(clip, frames=FRAMES) for clip in each.clips[:1]))
            for each in super().subjects()
        ]


@pytest.fixture(scope="module")
def benchmark_and_folder(tmp_path_factory: pytest.TempPathFactory) -> tuple[Benchmark, Path]:
    """A frozen benchmark of one clip."""
    root = tmp_path_factory.mktemp("frozen")
    (root / "tiny-1.toml").write_text(TINY)
    known = open_benchmark(str(root / "tiny-1.toml"))
    benchmark = ShortBenchmark(known.name, known.path, known.definition)
    assert not benchmark.contents_path.exists()
    assert "not frozen yet" in make_benchmark(benchmark, root / "made").line()
    assert freeze_benchmark(benchmark, root / "made") == 1
    return benchmark, root / "made"


def test_made_again_it_is_the_same_to_the_bit(benchmark_and_folder: tuple[Benchmark, Path], tmp_path: Path) -> None:
    benchmark, folder = benchmark_and_folder
    check = make_benchmark(benchmark, tmp_path / "again")
    assert check.line() == "tiny-1: 1 clip, the same to the bit as frozen"
    assert (check.brightness_difference, check.other_crossed) == (0.0, 0)
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    make_benchmark(benchmark, folder)  # nothing is filmed again
    assert before == {path: path.stat().st_mtime_ns for path in folder.rglob("*")}


def test_another_encoder_changes_the_recording_alone(
    benchmark_and_folder: tuple[Benchmark, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    benchmark, folder = benchmark_and_folder
    shutil.copytree(folder, tmp_path / "other")
    (clip,) = (tmp_path / "other").rglob("*.mp4")
    pictures = np.random.default_rng(1).integers(0, 3, (FRAMES, 480, 640))
    (original,) = read_clip_contents(folder)
    tiles = np.kron(np.reshape(original.brightness, (4, 4)), np.ones((120, 160)))
    # Brightness is of the luma, which starts at 16 for black.
    grey = ((tiles - 16) * 255 / 219).round().clip(0, 252).astype(np.uint8)
    write_mp4(clip, iter((grey + pictures - 1).clip(0, 255).astype(np.uint8)), frame_rate=25, crf=1)
    check = make_benchmark(benchmark, tmp_path / "other")
    assert (check.same_truth, check.same_pictures, check.same_recordings) == (1, 1, 0)
    assert 0 < check.brightness_difference < 1
    assert "the recordings of 0" in check.line()


def contents(**changes: Any) -> ClipContents:
    known = ClipContents("AF-0001/left-1.mp4", 100, 300, 200, 5, "plan", "truth", "pictures", "recording", (20.0,) * 16)
    return replace(known, **changes)


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"plan": "other"}, "another animal or another path"),
        ({"frames": 99}, "another animal or another path"),
        ({"counted": 205}, "205 outlines instead of 200"),
        ({"brightness": (20.0,) * 15 + (21.2,)}, "1.2 greys off"),
        ({"clip": "AF-0001/left-2.mp4"}, "other clips"),
    ],
)
def test_another_clip_is_refused(changes: dict[str, Any], problem: str) -> None:
    with pytest.raises(BenchmarkError, match=problem):
        check_contents("phantoms-9", [contents(**changes)], [contents()])


def test_what_a_processor_changes_is_stated_and_tolerated() -> None:
    others = {"truth": "t", "pictures": "p", "recording": "r", "counted": 203, "crossed": 4}
    check = check_contents("phantoms-9", [contents(**others, brightness=(20.4,) * 16)], [contents()])
    assert (check.same_truth, check.same_pictures, check.same_recordings, check.other_crossed) == (0, 0, 0, 1)
    assert check.brightness_difference == pytest.approx(0.4)
    assert "1 cross another number" in check.line()


def test_contents_are_read_back(benchmark_and_folder: tuple[Benchmark, Path], tmp_path: Path) -> None:
    benchmark, folder = benchmark_and_folder
    known = list(read_clip_contents(folder))
    (tmp_path / "clips.csv").write_bytes(contents_csv(known))
    assert list(read_contents_csv(tmp_path / "clips.csv")) == known == list(read_contents_csv(benchmark.contents_path))
    assert known[0].frames == FRAMES
    (tmp_path / "clips.csv").write_text("clip,frames\nAF-1/a.mp4,many\n")
    with pytest.raises(ConfigError, match="cannot be read"):
        read_contents_csv(tmp_path / "clips.csv")


def test_the_plan_ignores_rounding_and_sees_another_pose(
    benchmark_and_folder: tuple[Benchmark, Path], tmp_path: Path
) -> None:
    _, folder = benchmark_and_folder
    shutil.copytree(folder, tmp_path / "copy")
    path = tmp_path / "copy" / "animals.json"
    animals = json.loads(path.read_text())
    (clip,) = animals["AF-0001"]["clips"].values()
    (known,) = read_clip_contents(folder)
    for moved, same in ((1e-9, True), (0.1, False)):
        clip["poses"][2][0] += moved
        path.write_text(json.dumps(animals))
        (now,) = read_clip_contents(tmp_path / "copy")
        assert (now.plan == known.plan) == same
        assert now.truth == known.truth


def test_a_folder_with_anything_else_is_refused(benchmark_and_folder: tuple[Benchmark, Path], tmp_path: Path) -> None:
    benchmark, folder = benchmark_and_folder
    other = ShortBenchmark("tiny-2", benchmark.path, benchmark.definition)
    with pytest.raises(BenchmarkError, match="holds another benchmark than tiny-2"):
        make_benchmark(other, folder)
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(BenchmarkError, match="is not empty"):
        make_benchmark(benchmark, tmp_path)
    shutil.copytree(folder, tmp_path / "damaged")
    next((tmp_path / "damaged").rglob("*.mp4")).unlink()
    with pytest.raises(BenchmarkError, match="is damaged"):
        make_benchmark(benchmark, tmp_path / "damaged")


@pytest.mark.parametrize("name", benchmark_names())
def test_shipped_benchmarks_have_as_many_animals_of_each_world(name: str) -> None:
    benchmark = open_benchmark(name)
    subjects = benchmark.subjects()
    worlds = [subject.world.document() for subject in subjects]
    assert {worlds.count(world) for world in all_worlds()} == {len(subjects) // 8}
    clips = [clip for subject in subjects for clip in subject.clips]
    assert min(clip.frames for clip in clips) >= benchmark.definition.fewest_frames
    assert {len(subject.clips) for subject in subjects} <= {2, 3, 4}
    if benchmark.definition.tuned_on:
        tuning = open_benchmark(benchmark.definition.tuned_on)
        assert tuning.definition.seed != benchmark.definition.seed
    if benchmark.contents_path.exists():
        assert sum(each.frames for each in read_contents_csv(benchmark.contents_path)) == sum(
            clip.frames for clip in clips
        )


def test_an_unknown_benchmark_is_named(clutchlight: Clutchlight, tmp_path: Path) -> None:
    done = clutchlight("bench", "make", "phantoms-0", tmp_path / "made")
    assert done.code == ExitCode.USAGE
    assert "no benchmark 'phantoms-0'. Choose phantoms-1," in done.stderr


def test_bench_accuracy_makes_a_benchmark_and_measures_it(
    clutchlight: Clutchlight,
    benchmark_and_folder: tuple[Benchmark, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    benchmark, folder = benchmark_and_folder
    monkeypatch.setattr(film_clips, "write_subjects", None)  # it is there already
    shutil.copytree(folder, tmp_path / "out" / "tiny-1")
    done = clutchlight("bench", "accuracy", "--benchmark", benchmark.path, "--out", tmp_path / "out")
    assert done.code == ExitCode.DONE, done.stderr
    assert "the same to the bit as frozen" in done.stderr
    assert "tiny-1: 1 animal, 4 frames" in done.stdout
    frozen = clutchlight("bench", "freeze", benchmark.path, tmp_path / "out" / "tiny-1")
    assert f"{benchmark.contents_path}: 1 clip" in frozen.stdout
