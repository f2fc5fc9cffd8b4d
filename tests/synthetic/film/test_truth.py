from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from synthetic.anatomy.animal import Animal, StageCounts, draw_animal
from synthetic.anatomy.bodies import Kind
from synthetic.anatomy.species import load_species_ranges
from synthetic.film.film import FilmedFrame, FilmedObject
from synthetic.film.truth import CATEGORIES, AnimalTruth, ClipTruth, write_json
from synthetic.film.world import PLAIN_WORLD

POSES = np.arange(12.0).reshape(2, 6)
BLACK = np.zeros((480, 640), dtype=np.uint8)


def seen(
    number: int,
    *,
    stage: int = 2,
    is_target: bool = True,
    shown: bool | None = None,
    is_clear: bool | None = None,
    x: float = 300.0,
) -> FilmedObject:
    return FilmedObject(
        number,
        (x, 200.0, 50.0, 30.0, 90.0),
        stage,
        41.234,
        0.75,
        is_target,
        is_target if shown is None else shown,
        is_target if is_clear is None else is_clear,
    )


def clip(*frames: tuple[FilmedObject, ...], file: str = "left-1.mp4") -> ClipTruth:
    truth = ClipTruth("AF-0001", file, "left", None, 0.25, 640, 480, np.arange(6.0).reshape(2, 3), POSES, (1,))
    for objects in frames:
        truth.add(FilmedFrame(BLACK, objects))
    return truth


@pytest.fixture(scope="module")
def animal() -> Animal:
    order = StageCounts(calcified=3, thin_shelled=1, follicles=2)
    return draw_animal(np.random.default_rng(1), load_species_ranges("trachemys-scripta"), order)


def test_categories_are_the_stages_from_one() -> None:
    assert CATEGORIES == [
        {"id": 1, "name": "follicle"},
        {"id": 2, "name": "thin-shelled"},
        {"id": 3, "name": "calcified"},
    ]


def test_an_object_becomes_an_annotation_and_a_line() -> None:
    truth = clip((), (seen(4),))
    assert [image["frame"] for image in truth.images] == [0, 1]
    assert truth.images[1]["file_name"] == "AF-0001/left-1.mp4#1"
    (annotation,) = truth.annotations
    assert annotation["image"] == 1
    assert annotation["category_id"] == 3
    assert annotation["track_id"] == 5
    assert (annotation["visible"], annotation["depth_mm"]) == (0.75, 41.23)
    assert annotation["ellipse"] == [300.0, 200.0, 50.0, 30.0, 90.0]
    # Vertical: 60 wide and 100 high; pi x 50 x 30.
    assert annotation["bbox"] == pytest.approx([270.0, 150.0, 60.0, 100.0])
    assert annotation["area"] == pytest.approx(4712.4)
    (outline,) = annotation["segmentation"]
    assert len(outline) >= 6
    assert min(outline[0::2]) == pytest.approx(270, abs=0.2)
    assert max(outline[1::2]) == pytest.approx(250, abs=0.2)
    # MOTChallenge: frame from 1, id, left, top, width, height, 1, class, visibility.
    assert truth.mot_lines == ["2,5,270.0,150.0,60.0,100.0,1,3,0.750"]


def test_a_mostly_hidden_object_is_a_crowd_without_a_line() -> None:
    truth = clip((seen(4, is_target=False), seen(5, stage=0)))
    assert [annotation["iscrowd"] for annotation in truth.annotations] == [1, 0]
    assert [line.split(",")[1] for line in truth.mot_lines] == ["6"]
    assert truth.frames_seen == {5: 1}


def test_an_object_is_seen_from_the_third_frame_in_good_view() -> None:
    both = (seen(4), seen(5, stage=0))
    assert clip(both, both).seen == set()
    assert clip(both, both, (seen(4), seen(5, stage=0, is_target=False))).seen == {4}
    assert clip(both, both, (), both).seen == {4, 5}


def test_an_object_shown_in_a_shadow_is_not_seen() -> None:
    truth = clip(*[(seen(4, is_target=False, shown=True), seen(5, is_target=False), seen(6))] * 3)
    assert truth.seen == {6}
    assert truth.shown == {4, 6}
    assert [annotation["iscrowd"] for annotation in truth.annotations] == [1, 1, 0] * 3
    assert len(truth.mot_lines) == 3


def test_an_object_seen_in_several_clips_counts_once(animal: Animal) -> None:
    follicle, shelled = (
        int(animal.target_indices[0]),
        animal.target_indices[animal.kinds[animal.target_indices] == Kind.CALCIFIED].tolist(),
    )
    shadowed = seen(shelled[2], is_target=False, shown=True)
    left = clip(*[(seen(shelled[0]), seen(shelled[1]), shadowed)] * 3)
    right = clip(*[(seen(shelled[1]), seen(follicle, stage=0))] * 4, file="right-1.mp4")
    document = AnimalTruth("AF-0001", "2026-05-03", animal, PLAIN_WORLD, (left, right)).document()
    assert document["species"] == "Trachemys scripta"
    assert document["world"] == {"hand": "sweeping", "physics": "scatterers", "screen": "scattered"}
    assert document["in_animal"] == {"calcified": 3, "thin-shelled": 1, "follicle": 2}
    assert document["seen"] == {"calcified": 2, "thin-shelled": 0, "follicle": 1}
    assert document["shown"] == {"calcified": 3, "thin-shelled": 0, "follicle": 1}
    assert document["shelled_in_animal"] == 4
    assert document["shelled_seen"] == 2
    assert document["clips"]["left-1.mp4"] == {
        "window": "left",
        "frames": 3,
        "mm_per_px": 0.25,
        "seen": {"calcified": 2, "thin-shelled": 0, "follicle": 0},
        "seen_ids": [shelled[0] + 1, shelled[1] + 1],
        "shown_ids": sorted(number + 1 for number in shelled),
        "path_mm": [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]],
        "poses": [[0.0, 1.0, 2.0, 3.0, 4.0, 5.0], [6.0, 7.0, 8.0, 9.0, 10.0, 11.0]],
        "turns": [1],
        "pictures_sha256": "",
    }
    assert [one["id"] for one in document["objects"]] == (animal.target_indices + 1).tolist()
    assert [one["id"] for one in document["objects"] if one["shown"]] == [follicle + 1, *(s + 1 for s in shelled)]
    assert [one["id"] for one in document["objects"] if one["seen"]] == [follicle + 1, shelled[0] + 1, shelled[1] + 1]


def test_objects_have_their_full_axes_longest_first(animal: Animal) -> None:
    document = AnimalTruth("AF-0001", "2026-05-03", animal, PLAIN_WORLD, ()).document()
    for one in document["objects"]:
        axes = sorted(2 * animal.semi_axes[one["id"] - 1], reverse=True)
        assert one["axes_mm"] == pytest.approx(axes, abs=0.006)
    assert [one["stage"] for one in document["objects"]] == ["follicle"] * 2 + ["thin-shelled"] + ["calcified"] * 3


def test_documents_are_written_as_compact_json(tmp_path: Path) -> None:
    path = tmp_path / "animals.json"
    write_json(path, {"a": [1, 2.5], "b": None})
    text = path.read_text(encoding="utf-8")
    assert text == '{"a":[1,2.5],"b":null}\n'
    assert json.loads(text) == {"a": [1, 2.5], "b": None}
