from __future__ import annotations

import datetime as dt
import json
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic.anatomy.animal import StageCounts
from synthetic.errors import PhantomError
from synthetic.film import clips
from synthetic.film.clips import write_mp4, write_subjects
from synthetic.film.hand import Hand, draw_sweep
from synthetic.film.machine import HEIGHT, WIDTH
from synthetic.film.subjects import PlannedClip, Subject, both_windows
from synthetic.film.sweep import FRAMES_PER_SECOND, Sweep
from synthetic.film.sweeping_hand import Sweeping

RETURNING = Hand(Sweeping(returns=True))
SUBJECTS = (
    Subject(
        "AF-0001",
        "emys-orbicularis",
        StageCounts(calcified=6, follicles=2),
        (PlannedClip("left", 8, RETURNING), PlannedClip("left", 5), PlannedClip("right", 8)),
    ),
    Subject("AF-0002", "terrapene-ornata", StageCounts(), (PlannedClip("right", 6),)),
)
CLIPS = {
    "AF-0001/2026-05-03/left-1.mp4": 8,
    "AF-0001/2026-05-03/left-2.mp4": 5,
    "AF-0001/2026-05-03/right-1.mp4": 8,
    "AF-0002/2026-05-04/right-1.mp4": 6,
}


@dataclass(frozen=True)
class Phantoms:
    """A folder of phantoms, and the reported progress."""

    root: Path
    progress: list[tuple[int, int]]

    def json(self, name: str) -> Any:
        return json.loads((self.root / name).read_text(encoding="utf-8"))

    def files(self) -> dict[str, bytes]:
        paths = (path for path in self.root.rglob("*") if path.is_file())
        return {str(path.relative_to(self.root)): path.read_bytes() for path in paths}


def film(root: Path, *, seed: int, processes: int, subjects: tuple[Subject, ...] = SUBJECTS) -> Phantoms:
    progress: list[tuple[int, int]] = []
    write_subjects(
        root, subjects, seed=seed, progress=lambda done, total: progress.append((done, total)), processes=processes
    )
    return Phantoms(root, progress)


class ThisProcess(ThreadPoolExecutor):
    """Replaces the pool of processes, which take seconds to start: one clip after the other in this process."""

    def __init__(self, *settings: object) -> None:
        super().__init__(1)


@pytest.fixture
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clips, "start_filming_processes", ThisProcess)


@pytest.fixture(scope="module")
def phantoms(tmp_path_factory: pytest.TempPathFactory) -> Phantoms:
    return film(tmp_path_factory.mktemp("phantoms") / "new" / "folder", seed=3, processes=2)


def pictures(path: Path) -> list[NDArray[np.uint8]]:
    with av.open(str(path)) as container:
        return [np.asarray(frame.to_ndarray(format="gray"), dtype=np.uint8) for frame in container.decode(video=0)]


def test_the_folder_contains_only_clips_and_ground_truth(phantoms: Phantoms) -> None:
    expected = {"animals.json", "coco.json"}
    for clip in CLIPS:
        expected |= {clip, clip.replace(".mp4", ".mot.txt"), f"{clip.rsplit('/', 1)[0]}/exam.toml"}
    assert set(phantoms.files()) == expected


def test_clips_are_video_of_the_right_length_and_size(phantoms: Phantoms) -> None:
    for clip, number in CLIPS.items():
        shown = pictures(phantoms.root / clip)
        assert len(shown) == number
        assert {picture.shape for picture in shown} == {(HEIGHT, WIDTH)}
        with av.open(str(phantoms.root / clip)) as container:
            stream = container.streams.video[0]
            assert stream.average_rate == FRAMES_PER_SECOND
            assert stream.codec_context.name == "h264"
        # The hand moves: later pictures differ from the first by more than coding.
        assert np.abs(shown[-1].astype(int) - shown[0]).mean() > 3


def test_video_keeps_the_picture_up_to_coding_loss(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    patches = rng.integers(40, 200, (3, 24, 32)).astype(np.uint8)
    sent = [np.kron(patch, np.ones((8, 8), dtype=np.uint8)) for patch in patches]
    write_mp4(tmp_path / "clip.mp4", iter(sent), frame_rate=10)
    received = pictures(tmp_path / "clip.mp4")
    assert len(received) == 3
    for one, other in zip(sent, received, strict=True):
        assert np.abs(one.astype(int) - other).mean() < 6
        assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.98
    assert [path.name for path in tmp_path.iterdir()] == ["clip.mp4"]


def test_an_unfinished_clip_does_not_have_its_name(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)

    def frames() -> Iterator[NDArray[np.uint8]]:
        for _ in range(120):  # more than the encoder buffers
            yield rng.integers(0, 255, (64, 64)).astype(np.uint8)
        raise RuntimeError("the source failed")

    with pytest.raises(RuntimeError, match="the source failed"):
        write_mp4(tmp_path / "clip.mp4", frames(), frame_rate=10)
    assert not (tmp_path / "clip.mp4").exists()


def test_progress_counts_all_frames(phantoms: Phantoms) -> None:
    assert phantoms.progress[0] == (0, 27)
    assert phantoms.progress[-1] == (27, 27)
    assert [done for done, _ in phantoms.progress] == sorted(done for done, _ in phantoms.progress)


def test_ground_truth_has_every_frame_of_every_clip_once(phantoms: Phantoms) -> None:
    coco = phantoms.json("coco.json")
    frames = defaultdict(list)
    for image in coco["images"]:
        frames[image["animal"], image["clip"]].append(image["frame"])
        assert (image["width"], image["height"]) == (WIDTH, HEIGHT)
    dates = {"AF-0001": "2026-05-03", "AF-0002": "2026-05-04"}
    counted = {f"{animal}/{dates[animal]}/{clip}": numbers for (animal, clip), numbers in frames.items()}
    assert counted == {clip: list(range(number)) for clip, number in CLIPS.items()}
    assert [image["id"] for image in coco["images"]] == list(range(1, 28))
    assert [one["id"] for one in coco["annotations"]] == list(range(1, len(coco["annotations"]) + 1))
    assert {one["image_id"] for one in coco["annotations"]} <= {image["id"] for image in coco["images"]}


def test_mot_lines_and_coco_agree(phantoms: Phantoms) -> None:
    coco = phantoms.json("coco.json")
    images = {image["id"]: image for image in coco["images"]}
    expected: dict[tuple[str, str], list[list[float]]] = {}
    for one in coco["annotations"]:
        if one["iscrowd"] == 0:
            image = images[one["image_id"]]
            row = [image["frame"] + 1, one["track_id"], *one["bbox"], 1, one["category_id"], one["visible"]]
            expected.setdefault((image["animal"], image["clip"]), []).append(row)
    assert sum(map(len, expected.values())) >= 10
    for clip in CLIPS:
        animal, _, name = clip.split("/")
        text = (phantoms.root / clip.replace(".mp4", ".mot.txt")).read_text(encoding="utf-8")
        lines = [[float(part) for part in line.split(",")] for line in text.splitlines()]
        assert lines == [pytest.approx(row) for row in expected.get((animal, name), [])]


def test_the_table_of_animals_is_consistent_and_agrees_with_coco(phantoms: Phantoms) -> None:
    animals, coco = phantoms.json("animals.json"), phantoms.json("coco.json")
    assert set(animals) == {"AF-0001", "AF-0002"}
    assert animals["AF-0001"]["in_animal"] == {"calcified": 6, "thin-shelled": 0, "follicle": 2}
    assert animals["AF-0002"]["objects"] == []
    images = {image["id"]: image for image in coco["images"]}
    for name, animal in animals.items():
        objects = {one["id"]: one for one in animal["objects"]}
        for stage, number in animal["in_animal"].items():
            assert number == sum(one["stage"] == stage for one in objects.values())
            assert animal["seen"][stage] == sum(one["stage"] == stage and one["seen"] for one in objects.values())
        assert animal["shelled_seen"] <= animal["shelled_in_animal"]
        crossed: set[int] = set()
        for file, clip in animal["clips"].items():
            assert set(clip["seen_ids"]) <= set(objects)
            assert sum(clip["seen"].values()) == len(clip["seen_ids"])
            crossed |= set(clip["seen_ids"])
            good: dict[int, int] = defaultdict(int)
            shown: dict[int, int] = defaultdict(int)
            for one in coco["annotations"]:
                image = images[one["image_id"]]
                if (image["animal"], image["clip"]) == (name, file):
                    good[one["track_id"]] += not one["iscrowd"]
                    shown[one["track_id"]] += one["shown"]
                    stages = ["follicle", "thin-shelled", "calcified"]
                    assert objects[one["track_id"]]["stage"] == stages[one["category_id"] - 1]
            assert clip["seen_ids"] == sorted(number for number, count in good.items() if count >= 3)
            assert clip["shown_ids"] == sorted(number for number, count in shown.items() if count >= 3)
            assert set(clip["seen_ids"]) <= set(clip["shown_ids"])
        assert crossed == {number for number, one in objects.items() if one["seen"]}


def test_exam_files_describe_the_exam(phantoms: Phantoms) -> None:
    animals = phantoms.json("animals.json")
    for name, animal in animals.items():
        folder = phantoms.root / name / animal["date"]
        exam = tomllib.loads((folder / "exam.toml").read_text(encoding="utf-8"))
        assert exam["animal"] == name
        assert exam["species"] == animal["species"]
        assert exam["date"] == dt.date.fromisoformat(animal["date"])
        assert 0 < exam["carapace_width_mm"] < exam["carapace_mm"]
        assert {clip["file"]: (clip["window"], clip["mm_per_px"]) for clip in exam["clip"]} == {
            file: (clip["window"], clip["mm_per_px"]) for file, clip in animal["clips"].items()
        }
        assert all((folder / clip["file"]).is_file() for clip in exam["clip"])


def test_files_do_not_depend_on_the_number_of_processes(
    phantoms: Phantoms, tmp_path: Path, in_this_process: None
) -> None:
    """Those of the fixture were filmed by two processes, in any order."""
    again, first = film(tmp_path / "same", seed=3, processes=1).files(), phantoms.files()
    assert set(again) == set(first)
    assert [name for name in first if first[name] != again[name]] == []


def test_another_seed_gives_other_clips(phantoms: Phantoms, tmp_path: Path, in_this_process: None) -> None:
    one, other = (film(tmp_path / str(seed), seed=seed, processes=1, subjects=SUBJECTS[1:]).files() for seed in (3, 4))
    assert set(one) == set(other)
    for name in ("AF-0002/2026-05-03/right-1.mp4", "animals.json"):
        assert one[name] != other[name]


def test_each_clip_has_a_sweep_of_its_own(
    tmp_path: Path, in_this_process: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    sweeps: list[Sweep] = []
    hand = Hand(Sweeping(rocks=True), kicks=1)

    def recorded_draw_sweep(*arguments: Any) -> Sweep:
        assert arguments[-1] == hand
        sweeps.append(draw_sweep(*arguments))
        return sweeps[-1]

    monkeypatch.setattr(clips, "draw_sweep", recorded_draw_sweep)
    planned = tuple(PlannedClip(window, 2, hand) for window in ("left", "left", "right"))
    film(tmp_path, seed=3, processes=1, subjects=(Subject("AF-0001", "terrapene-ornata", StageCounts(), planned),))
    assert [sweep.window for sweep in sweeps] == ["left", "left", "right"]
    # Not the same sweep again, and not mirrored.
    for one, other in combinations(sweeps, 2):
        assert np.abs(one.origins[:, 2] - other.origins[:, 2]).max() > 0.01


def test_the_direction_of_the_hand_is_noted_unless_it_came_back(
    tmp_path: Path, in_this_process: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    sweeps: list[Sweep] = []

    def recorded_draw_sweep(*arguments: Any) -> Sweep:
        sweeps.append(draw_sweep(*arguments))
        return sweeps[-1]

    monkeypatch.setattr(clips, "draw_sweep", recorded_draw_sweep)
    clips_of = [*[both_windows(6)] * 3, tuple(PlannedClip(window, 6, RETURNING) for window in ("left", "right"))]
    subjects = tuple(
        Subject(f"AF-{n}", "terrapene-ornata", StageCounts(), planned) for n, planned in enumerate(clips_of)
    )
    film(tmp_path, seed=3, processes=1, subjects=subjects)
    noted = [
        clip.get("hand")
        for subject in subjects
        for clip in tomllib.loads(next((tmp_path / subject.name).rglob("exam.toml")).read_text())["clip"]
    ]
    # Body coordinates run from tail to head.
    headward = [np.polyfit(range(6), sweep.origins[:, 1], 1)[0] > 0 for sweep in sweeps]
    assert noted == [*("tail to head" if one else "head to tail" for one in headward[:6]), None, None]
    assert len(set(noted)) == 3


def test_a_clutch_that_no_body_holds_is_refused(tmp_path: Path, in_this_process: None) -> None:
    impossible = (Subject("AF-0009", "terrapene-ornata", StageCounts(calcified=60), (PlannedClip("left", 6),)),)
    with pytest.raises(PhantomError, match="Ask for fewer or for a larger species"):
        film(tmp_path, seed=1, processes=1, subjects=impossible)
    assert not (tmp_path / "animals.json").exists()


def test_a_folder_that_cannot_be_created_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(PhantomError, match=r"file/phantoms cannot be written .*Choose a folder"):
        write_subjects(tmp_path / "file" / "phantoms", SUBJECTS, seed=1, progress=lambda done, total: None)
