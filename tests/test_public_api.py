"""The public API: quick to import, documented, and its example runs."""

from __future__ import annotations

import dataclasses
import doctest
import inspect
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path
from typing import get_type_hints

import pytest

import pipeline
from tests.pipeline.blob_finder import write_exam_folder

ROOT = Path(__file__).parents[1]
FUNCTIONS = [name for name in pipeline.__all__ if not name.startswith("_")]


def test_importing_the_package_loads_no_library() -> None:
    code = "import sys; import pipeline; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    assert not loaded & {"numpy", "torch", "cv2", "pydantic", "scipy", "typer", "sqlalchemy"}


def test_names_are_sorted_and_listed_by_dir() -> None:
    assert pipeline.__all__ == sorted(pipeline.__all__)
    assert set(pipeline.__all__) <= set(dir(pipeline))


def test_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="'pipeline' has no attribute 'scan_clips'"):
        pipeline.scan_clips  # type: ignore[attr-defined]  # noqa: B018


@pytest.mark.parametrize("name", FUNCTIONS)
def test_function_has_a_numpy_docstring(name: str) -> None:
    function = getattr(pipeline, name)
    sections = ["Returns\n-------\n", "Examples\n--------\n"]
    sections += ["Parameters\n----------\n"] if inspect.signature(function).parameters else []
    documentation = inspect.getdoc(function) or ""
    assert all(section in documentation for section in sections)
    missing = [name for name in inspect.signature(function).parameters if f"\n{name}\n" not in documentation]
    assert missing == []


@pytest.mark.parametrize("name", ["find_exams", "scan_clip", "clip_coverage", "estimate_exam"])
def test_returned_type_lists_its_attributes(name: str) -> None:
    returned = get_type_hints(getattr(pipeline, name))["return"]
    documentation = inspect.getdoc(returned) or ""
    assert "\nAttributes\n----------\n" in documentation
    documented = {word for line in documentation.splitlines() if line[:1].strip() for word in line.split(", ")}
    assert {field.name for field in dataclasses.fields(returned)} <= documented


def test_version_is_that_of_pyproject() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert pipeline.__version__ == version("clutchlight") == declared


def test_example_of_the_package_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On clips of bright discs, whatever the shipped network makes of them."""
    write_exam_folder(tmp_path / "recordings", "AF-0412", {"left-1.mp4": 2}, frames=12)
    monkeypatch.chdir(tmp_path)
    result = doctest.testmod(pipeline)
    assert result.attempted >= 9
    assert result.failed == 0


@pytest.mark.parametrize("package", ["pipeline", "synthetic", "models", "configs"])
def test_package_ships_its_types(package: str) -> None:
    assert (ROOT / package / "py.typed").is_file()
    package_data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    assert "py.typed" in package_data["package-data"][package]
