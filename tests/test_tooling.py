"""Checks of the whole repository: linter, formatter, type checker, doctests, and the declared dependencies."""

from __future__ import annotations

import ast
import doctest
import re
import subprocess
import sys
import tomllib
from fnmatch import fnmatch
from importlib import import_module
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("models", "configs", "synthetic", "pipeline")
SOURCES = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

# Declared, and needed without an import: plugins, and fonts read as files.
USED_WITHOUT_IMPORT = {
    "font-source-sans-pro",
    "font-source-serif-pro",
    "pyjpegls",
    "pylibjpeg",
    "pylibjpeg-openjpeg",
}
# Of the environment of the peers alone: pinned in configs/peers.txt.
OF_PEERS = {"csbdeep", "datumaro", "fiftyone", "stardist"}
# Imported and not declared, since it always comes with the library named.
COMES_WITH = {
    "anyio": "starlette",
    "dask": "distributed",
    "h11": "uvicorn",
    "pydantic-core": "pydantic",
    "supervision": "trackers",
}
# The modules of extras that need not be installed here.
OF_EXTRAS = {
    "dask": ["dask"],
    "distributed": ["distributed"],
    "fsspec": ["fsspec"],
    "laptrack": ["laptrack"],
    "norfair": ["norfair-enough"],
    "supervision": ["supervision"],
    "trackers": ["trackers"],
}


@pytest.mark.parametrize(
    "command",
    [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]],
    ids=["lint", "format", "types"],
)
def test_tool_reports_nothing(command: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def modules_with_examples() -> list[str]:
    """All modules with doctests, except ``pipeline`` itself, whose example tests/test_public_api.py runs."""
    files = [path for path in SOURCES if ">>> " in path.read_text(encoding="utf-8")]
    files.remove(ROOT / "pipeline" / "__init__.py")
    return [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in files]


@pytest.mark.parametrize("module", modules_with_examples())
def test_examples_in_docstrings_are_true(module: str) -> None:
    result = doctest.testmod(import_module(module.removesuffix(".__init__")))
    assert result.attempted > 0
    assert result.failed == 0


def declared(requirements: list[str]) -> set[str]:
    """The names of distributions, without versions."""
    names = (re.split(r"[<>=!~; ]", requirement, maxsplit=1)[0] for requirement in requirements)
    return {re.sub(r"[-_.]+", "-", name).lower() for name in names}


def imported_modules() -> set[str]:
    """The modules of other projects that the packages import, anywhere in their code."""
    modules: set[str] = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                modules |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                modules.add(node.module.partition(".")[0])
    return modules - set(sys.stdlib_module_names) - set(PACKAGES)


def test_every_imported_library_is_declared_and_every_declared_one_is_imported() -> None:
    extras = PYPROJECT["project"]["optional-dependencies"]
    required = declared(PYPROJECT["project"]["dependencies"]) | declared(extras["train"])
    optional = [
        each for name in ("cluster", "objects", "other-trackers", "peers", "postgresql") for each in extras[name]
    ]
    allowed = required | declared(optional) | set(COMES_WITH)
    by_module = {**OF_EXTRAS, **packages_distributions()}
    pins = declared((ROOT / "configs" / "peers.txt").read_text(encoding="utf-8").splitlines())
    assert pins >= OF_PEERS
    # Several distributions may provide one module, as those of OpenCV do.
    providers = {module: declared(list(by_module[module])) for module in imported_modules() - OF_PEERS}
    undeclared = {module: names for module, names in providers.items() if not names & allowed}
    assert undeclared == {}, "declare these in pyproject.toml"
    assert required - set().union(*providers.values()) == USED_WITHOUT_IMPORT


def test_every_data_file_is_part_of_the_package() -> None:
    package_data = PYPROJECT["tool"]["setuptools"]["package-data"]
    examples = set((ROOT / "pipeline" / "report" / "examples").glob("*.*g"))  # pictures of README.md and DEVELOPERS.md
    for package in PACKAGES:
        folder = ROOT / package
        files = [path for path in folder.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")]
        names = [str(path.relative_to(folder)) for path in files if path not in examples]
        missing = [name for name in names if not any(fnmatch(name, pattern) for pattern in package_data[package])]
        assert missing == [], f"add these to the package data of {package}"
