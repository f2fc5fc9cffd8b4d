"""Data cards and Croissant metadata say what is there: files, hashes, numbers, and the definition of a benchmark."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.bench.export.description import describe_data_set
from pipeline.bench.export.exported_clips import exported_clips
from pipeline.bench.export.formats import WRITERS
from pipeline.bench.export.layouts import LAYOUTS
from pipeline.bench.export.metadata_files import write_metadata
from pipeline.bench.frozen.definition import open_benchmark
from pipeline.bench.frozen.making import DEFINITION_NAME
from pipeline.bench.ground_truth import DataSet, open_data_set
from tests.pipeline.bench.data_set_files import DATE, SETTINGS, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder

ANIMALS, FRAMES = tuple(f"AF-000{number}" for number in range(1, 5)), 40
# Required by "Dataset-level information" of Croissant 1.0, beside the license (known of simulated animals alone) and
# the url (an exported folder has none).
REQUIRED = {"@context", "@type", "conformsTo", "description", "name", "creator", "datePublished"}


@pytest.fixture(scope="module")
def data_set(tmp_path_factory: pytest.TempPathFactory) -> DataSet:
    """Four simulated animals of a frozen benchmark, with one egg in each frame."""
    folder = tmp_path_factory.mktemp("data") / "set"
    for seed, animal in enumerate(ANIMALS):
        write_exam_folder(folder, animal, {"left-1.mp4": 1}, date=DATE, seed=seed)
    objects = [
        object_annotation(image, 3, [40.0, 50.0, 14.0, 12.0, 0.0], track=1)
        for image in range(1, len(ANIMALS) * FRAMES + 1)
    ]
    write_truth(folder, objects, animals=ANIMALS, frames=FRAMES, mm_per_px=0.5)
    (folder / DEFINITION_NAME).write_text(json.dumps(open_benchmark("phantoms-1").document()))
    known = open_data_set(folder)
    world = {"hand": "fanning", "physics": "scatterers"}
    return replace(known, animals={name: replace(truth, world=world) for name, truth in known.animals.items()})


@pytest.fixture(scope="module", params=sorted(WRITERS))
def exported(data_set: DataSet, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp(request.param)
    every = 1 if request.param == "mot" else 20
    WRITERS[request.param](data_set, exported_clips(data_set, SETTINGS.ingest, every=every), folder)
    write_metadata(data_set, request.param, folder, dt.date(2026, 5, 14))
    return folder


def document(folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((folder / "croissant.json").read_text())
    return loaded


def referred(node: object) -> Iterator[str]:
    """The identifiers to which a node refers."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key in ("fileSet", "fileObject"):
                yield value["@id"]
            yield from referred(value)
    elif isinstance(node, list):
        for each in node:
            yield from referred(each)


def test_every_format_has_a_layout() -> None:
    assert set(LAYOUTS) == set(WRITERS)


def test_the_metadata_have_what_croissant_requires(exported: Path) -> None:
    known = document(exported)
    assert set(known) >= REQUIRED
    assert known["conformsTo"] == "http://mlcommons.org/croissant/1.0"
    assert (known["name"], known["version"]) == ("phantoms-1", "1.0.0")
    assert known["license"].startswith("https://www.apache.org/")
    for each in known["distribution"]:
        assert {"@id", "name", "encodingFormat"} <= set(each)
    fields = [field for records in known["recordSet"] for field in records["field"]]
    assert all({"@id", "dataType", "source"} <= set(field) for field in fields)
    identifiers = [each["@id"] for each in (*known["distribution"], *known["recordSet"], *fields)]
    assert len(set(identifiers)) == len(identifiers)
    assert set(referred(known["recordSet"])) <= {each["@id"] for each in known["distribution"]}


def test_files_are_there_and_have_the_stated_hash(exported: Path) -> None:
    for each in document(exported)["distribution"]:
        if each["@type"] == "cr:FileObject":
            content = (exported / each["contentUrl"]).read_bytes()
            assert each["sha256"] == hashlib.sha256(content).hexdigest()
        else:
            assert list(exported.glob(each["includes"]))


def test_columns_are_keys_of_the_table(exported: Path) -> None:
    for records in document(exported)["recordSet"]:
        for field in records["field"]:
            path = field["source"]["extract"].get("jsonPath")
            if path is not None:
                table, key = path.removeprefix("$.").split("[*].")
                rows = json.loads((exported / "annotations.json").read_text())[table]
                assert all(key in row for row in rows)


def test_the_card_says_what_it_is_and_how_to_make_it_again(exported: Path) -> None:
    card = (exported / "README.md").read_text()
    assert 'pretty_name: "Phantoms 1"' in card
    assert "4 animals (4 clips, 160 frames)" in card
    assert "160 of calcified" in card
    assert "The animals are simulated" in card
    assert "| hand: fanning | 4 |" in card
    assert "clutchlight bench make phantoms-1 DIR" in card
    assert ("No animal is in both" in card) == (exported.name.startswith(("yolo", "image-folder")))


def test_of_other_recordings_no_origin_and_no_licence_is_claimed(data_set: DataSet, tmp_path: Path) -> None:
    plain = replace(
        data_set,
        exams_root=tmp_path,
        animals={name: replace(truth, world={}) for name, truth in data_set.animals.items()},
    )
    described = describe_data_set(plain)
    assert (described.is_simulated, described.name, described.version) == (False, "set", "0.0.0")
    assert "origin of the recordings is not stated" in described.summary
    (tmp_path / "annotations.json").write_text("{}")
    write_metadata(plain, "coco", tmp_path, dt.date(2026, 5, 14))
    assert "license" not in document(tmp_path)
    assert "license" not in (tmp_path / "README.md").read_text()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of its own libraries
def test_the_reference_library_accepts_and_reads_it(exported: Path) -> None:
    """mlcroissant, the library of the format's authors; it is in no extra, since it brings many packages."""
    mlcroissant = pytest.importorskip("mlcroissant", reason="mlcroissant is not installed")
    data = mlcroissant.Dataset(jsonld=str(exported / "croissant.json"))
    assert data.metadata.ctx.issues.errors == set()
    names = {each["name"] for each in document(exported)["recordSet"]}
    if "annotations" in names:
        rows = list(data.records("annotations"))
        assert len(rows) == len(ANIMALS) * 2
        assert {row["annotations/category_id"] for row in rows} == {3}
