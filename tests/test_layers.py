"""Which modules may import which: packages in one direction only, and subpackages from lower layers only."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# Each package, and the packages that it may import.
MAY_IMPORT = {
    "models": {"models"},
    "configs": {"configs", "models"},
    "synthetic": {"synthetic", "configs", "models"},
    "pipeline": {"pipeline", "synthetic", "configs", "models"},
}

# The subpackages of each package, lowest layer first. One imports from itself and from the layers below it.
LAYERS: dict[str, tuple[set[str], ...]] = {
    "pipeline": (
        {"language"},
        {"calibration_tables", "formatting", "settings_tables"},
        {"calibration_file", "locations"},
        {"settings"},
        {"ingest", "worker"},
        {"exams", "detect", "cluster"},
        {"store", "track"},
        {"people", "scan"},
        {"estimate"},
        {"report", "bench"},
        {"batch", "agreement", "bench_report", "real_pictures"},
        {"review", "calibration", "studies"},
        {"labels", "attacks", "night"},
        {"adaptation_trial", "speed"},
        {"cli"},
        {"__main__"},
    ),
    "synthetic": (
        {"errors", "decibels"},
        {"appearance", "anatomy"},
        {"acoustics"},
        {"training"},
        {"film"},
    ),
}

MAXIMUM_LINES = 400
VAGUE_NAMES = {"utils", "util", "utilities", "helpers", "helper", "common", "misc"}


@dataclass(frozen=True)
class Import:
    """One module of this repository that another one imports.

    types_only : under ``if TYPE_CHECKING``, so not imported when the program runs
    """

    importer: str
    imported: str
    line: int
    types_only: bool

    def __str__(self) -> str:
        return f"{self.importer}, line {self.line}, imports {self.imported}"


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def sources(*folders: str) -> dict[str, Path]:
    """All modules under these folders of the repository: the dotted name and the file of each."""
    return {module_name(path): path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))}


MODULES = sources(*MAY_IMPORT)


def read_imports(importer: str, source: str, modules: Iterable[str]) -> Iterator[Import]:
    """The imports of a module, anywhere in its source, from the given modules and their packages."""
    known = set(modules)
    packages = {name.split(".")[0] for name in known}

    def walk(node: ast.AST, types_only: bool) -> Iterator[Import]:
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{importer}, line {node.lineno}: a relative import"
            module = str(node.module)
            full_names = [f"{module}.{alias.name}" for alias in node.names]
            names = sorted({name if name in known else module for name in full_names})
        for name in names:
            if name.split(".")[0] in packages:
                yield Import(importer, name, node.lineno, types_only)  # type: ignore[attr-defined]
        if isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            for statement in node.body:
                yield from walk(statement, True)
            for statement in node.orelse:
                yield from walk(statement, types_only)
            return
        for child in ast.iter_child_nodes(node):
            yield from walk(child, types_only)

    return walk(ast.parse(source), False)


def all_imports() -> list[Import]:
    return [found for name, path in MODULES.items() for found in read_imports(name, path.read_text(), MODULES)]


def subpackage_and_layer(module: str) -> tuple[str, int] | None:
    """The subpackage of a module and its layer, counted from 0; None if it is in none of those listed."""
    package, _, rest = module.partition(".")
    subpackage = rest.split(".")[0]
    for layer, subpackages in enumerate(LAYERS.get(package, ())):
        if subpackage in subpackages:
            return f"{package}.{subpackage}", layer
    return None


def is_against_package_order(found: Import) -> bool:
    return found.imported.split(".")[0] not in MAY_IMPORT[found.importer.split(".")[0]]


def points_up(found: Import) -> bool:
    """Whether an import inside a package goes to another subpackage in the same layer or in a higher one."""
    here, there = subpackage_and_layer(found.importer), subpackage_and_layer(found.imported)
    if here is None or there is None or here[0] == there[0] or found.types_only:
        return False
    return found.importer.split(".")[0] == found.imported.split(".")[0] and there[1] >= here[1]


def listed(imports: Iterable[Import]) -> str:
    return "\n".join(map(str, imports))


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_packages_import_in_one_direction_only(package: str) -> None:
    imports = [found for found in all_imports() if found.importer.split(".")[0] == package]
    wrong = [found for found in imports if is_against_package_order(found)]
    assert not wrong, listed(wrong)


@pytest.mark.parametrize("package", LAYERS)
def test_every_subpackage_has_a_layer(package: str) -> None:
    missing = [name for name in MODULES if name.startswith(f"{package}.") and subpackage_and_layer(name) is None]
    assert not missing, f"give these a layer in LAYERS and in DEVELOPERS.md: {missing}"


@pytest.mark.parametrize("package", LAYERS)
def test_subpackages_import_from_lower_layers_only(package: str) -> None:
    inside = [f for f in all_imports() if f.importer.startswith(f"{package}.") and f.imported.startswith(f"{package}.")]
    assert len(inside) > 50  # the package was read at all
    wrong = [found for found in inside if points_up(found)]
    assert not wrong, listed(wrong)


def test_imports_have_no_cycle() -> None:
    graph: dict[str, set[str]] = defaultdict(set)
    for found in all_imports():
        if not found.types_only:
            graph[found.importer].add(found.imported)
    order = list(TopologicalSorter(graph).static_order())  # raises CycleError, which names the modules
    assert order.index("models.ellipse") < order.index("pipeline.cli.app")


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_tests_import_what_their_package_may_import(package: str) -> None:
    everything = sources(*MAY_IMPORT, "tests")
    wrong = []
    for name, path in sources(f"tests/{package}").items():
        for found in read_imports(name, path.read_text(), everything):
            parts = found.imported.split(".")
            if parts[parts[0] == "tests"] not in MAY_IMPORT[package]:
                wrong.append(found)
    assert not wrong, listed(wrong)


def test_modules_are_short() -> None:
    lengths = {name: len(path.read_text().splitlines()) for name, path in sources(*MAY_IMPORT, "tests").items()}
    long = {name: length for name, length in lengths.items() if length > MAXIMUM_LINES}
    assert not long, f"split these by concept: {long}"


def test_modules_have_no_vague_names() -> None:
    wrong = [name for name in sources(*MAY_IMPORT, "tests") if VAGUE_NAMES & set(name.split("."))]
    assert not wrong, f"name these after what they hold: {wrong}"


def test_imports_are_found_anywhere_in_a_module() -> None:
    source = (
        "import json, models.losses\n"
        "from models import ellipse, errors\n"
        "from models.decode import decode\n"
        "if TYPE_CHECKING:\n"
        "    from models.network import EggNetwork\n"
        "else:\n"
        "    import models.training as training\n"
        "def late():\n"
        "    try:\n"
        "        from models.runtime import Engine\n"
        "    except ImportError:\n"
        "        import modelsomething\n"
    )
    found = list(read_imports("pipeline.track.tracks", source, MODULES))
    assert [(one.imported, one.line, one.types_only) for one in found] == [
        ("models.losses", 1, False),
        ("models.ellipse", 2, False),
        ("models.errors", 2, False),
        ("models.decode", 3, False),
        ("models.network", 5, True),
        ("models.training", 7, False),
        ("models.runtime", 10, False),
    ]


@pytest.mark.parametrize(
    ("importer", "imported", "wrong"),
    [
        ("pipeline.track.association", "pipeline.ingest.frame", False),
        ("pipeline.track.association", "pipeline.track.tracks", False),
        ("pipeline.ingest.clip", "pipeline.track.tracks", True),
        ("pipeline.exams.exam_search", "pipeline.detect.detector", True),  # one layer: they do not import each other
        ("pipeline.scan.clip_scan", "pipeline.batch.run", True),
        ("pipeline.report.sheet_html", "pipeline.estimate.exam_estimate", False),
        ("pipeline.estimate.exam_estimate", "pipeline.report.sheet_html", True),
        ("synthetic.acoustics.drawing", "synthetic.film.hand", True),
        ("synthetic.film.hand", "pipeline.track.association", False),  # another package, so layers do not matter
        ("pipeline.detect.detector", "pipeline.estimate.results", True),
    ],
)
def test_import_from_a_higher_floor_is_found(importer: str, imported: str, wrong: bool) -> None:
    assert points_up(Import(importer, imported, 1, types_only=False)) == wrong
    assert not points_up(Import(importer, imported, 1, types_only=True))


def test_import_against_the_package_order_is_found() -> None:
    assert is_against_package_order(Import("models.ellipse", "configs.reading", 1, types_only=True))
    assert is_against_package_order(Import("synthetic.film.hand", "pipeline.detect.detector", 1, types_only=False))
    assert not is_against_package_order(Import("synthetic.film.hand", "models.ellipse", 1, types_only=False))
