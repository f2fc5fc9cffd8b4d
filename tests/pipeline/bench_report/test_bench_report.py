"""The page of a bench in a real browser, and a manifest that repeats it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from models.weights_file import shipped_weights
from pipeline.bench.calibration_error import ReliabilityBin
from pipeline.bench.comparison.animal_strata import StratumFigures
from pipeline.bench.comparison.compare import ComparedEntry, Comparison
from pipeline.bench.comparison.resampling import Estimate
from pipeline.bench.count_comparison import compare_counts
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.methods.cost import MethodCost
from pipeline.bench.risk_coverage import risk_coverage
from pipeline.bench.stated_counts import StatedCounts
from pipeline.bench_report.comparison_sections import comparison_sections, comparison_summary
from pipeline.bench_report.differences import figure_differences, manifest_differences
from pipeline.bench_report.manifest import Manifest, ManifestError, make_manifest, read_manifest
from pipeline.bench_report.page import bench_page
from pipeline.bench_report.plots import interval_svg
from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import SETTINGS, object_annotation, write_truth
from tests.pipeline.conftest import Clutchlight

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ROUND = [40.0, 50.0, 12.0, 12.0, 0.0]
ESTIMATE = Estimate(0.912, 0.85, 0.96)


def manifest(folder: Path) -> Manifest:
    return make_manifest(
        ["bench", "compare", "set"],
        "comparison.json",
        settings=SETTINGS,
        weights=shipped_weights(),
        data_sets={"set": folder},
        seeds={"draws": 3},
    )


def entry(name: str, folder: Path) -> ComparedEntry:
    animals = open_data_set(folder).animals
    stated = {each: StatedCounts(estimate=9, stage="mixed", confidence=0.6) for each in animals}
    figures = dict.fromkeys(("AP50", "AP50:95", "HOTA", "count error"), ESTIMATE)
    return ComparedEntry(
        name=name,
        figures=figures,
        first_minus_this={} if name == "ours" else dict.fromkeys(figures, Estimate(-0.1, -0.2, 0.1)),
        counted=4,
        counts_note="" if name == "ours" else "most in one frame",
        settings={"a long name of a setting": 0.123456, "tuned on": "200 frames of phantoms-1-tuning"},
        strata=(
            StratumFigures("depth", "from 60 mm", 4, {"AP50": ESTIMATE}, {}),
            StratumFigures("hand", "fanning", 2, figures, {"AP50": ESTIMATE}),
        ),
        review=risk_coverage(compare_counts(animals, stated)),
        reliability=(ReliabilityBin(4, 0.6, 0.25),),
        cost=MethodCost(2, 200, 12.345, 15.0, 1234),
        learned_from="9 minutes of a GPU: 123,456 pictures in 3,858 steps, from random weights",
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report")
    write_truth(path / "set", [object_annotation(1, 3, ROUND)], animals=("AF-1", "AF-2", "AF-3", "AF-4"), crossed=1)
    names = ("ours", "ours, most in one frame", "a_method_with_a_long_name_of_somebody", "<script>alert(1)</script>")
    compared = Comparison("set", 4, 8, 1000, 3, tuple(entry(name, path / "set") for name in names))
    page = bench_page(
        "Methods compared on set", comparison_summary(compared), comparison_sections(compared), manifest(path / "set")
    )
    (path / "report.html").write_bytes(page)
    return path


@pytest.fixture(params=[390, 1280], ids=["phone", "desk"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": request.param, "height": 844})
    yield context.new_page()
    context.close()


def test_the_page_is_self_contained_and_fits_its_window(page: Page, folder: Path) -> None:
    requests: list[str] = []
    messages: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: messages.append(message.text))
    page.on("pageerror", lambda error: messages.append(str(error)))
    address = (folder / "report.html").as_uri()
    page.goto(address)
    assert [url for url in requests if url != address and not url.startswith("data:")] == []
    assert messages == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    too_wide = page.evaluate(
        "[...document.querySelectorAll('body *:not(svg *, svg)')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.className || e.tagName)"
    )
    assert too_wide == []
    headings = page.locator("h2").all_inner_texts()
    assert [each.partition("\n")[0] for each in headings][:5] == [
        "Figures",
        "Where ours leads",
        "ours minus the others",
        "Training on phantoms",
        "AP50 by stratum",
    ]
    assert page.get_by_text("1,234").count() == 4
    assert page.locator("svg.plot circle").count() > 20


def test_names_cannot_be_markup(folder: Path) -> None:
    text = (folder / "report.html").read_text()
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)" in text


def test_unknown_values_and_equal_ones_are_drawn() -> None:
    unknown, equal = Estimate(None, None, None), Estimate(1.0, 1.0, 1.0)
    assert "circle" not in interval_svg([("a", unknown)], ".2f")
    assert interval_svg([("a", equal)], ".2f").count("circle") == 1
    assert "nan" not in interval_svg([("a", equal), ("b", unknown)], ".2f", zero=True)


def test_a_manifest_is_read_back_and_names_what_differs(folder: Path, tmp_path: Path) -> None:
    known = manifest(folder / "set")
    (tmp_path / "manifest.json").write_text(json.dumps(known.document()))
    again = read_manifest(tmp_path / "manifest.json")
    assert again.command == "clutchlight bench compare set"
    assert list(manifest_differences(known, again)) == []
    assert known.packages["numpy"]
    assert len(known.data_sets["set"]["sha256"]) == 64
    other = replace(
        again,
        commit="0" * 40,
        weights={"file": "own.safetensors", "sha256": "f" * 64},
        settings={**again.settings, "new": 1},
        packages={**again.packages, "numpy": "1.0"},
        machine={**again.machine, "processor": "another"},
    )
    differences = list(manifest_differences(known, other))
    assert [each.partition(":")[0] for each in differences] == [
        "program",
        "network",
        "settings",
        "packages",
        "processor",
    ]
    (tmp_path / "manifest.json").write_text('{"arguments": []}')
    with pytest.raises(ManifestError, match="is no manifest"):
        read_manifest(tmp_path / "manifest.json")


def test_differences_of_figures_leave_out_times() -> None:
    before = {"a": [1, {"b": 0.5}], "cost": {"clock_ms": 1.0}}
    assert list(figure_differences(before, {**before, "cost": {"clock_ms": 2.0}})) == []
    assert list(figure_differences(before, {"a": [1, {"b": 0.6}], "cost": None, "c": 3})) == [
        ("a[1].b", 0.5, 0.6),
        ("c", None, 3),
    ]
    assert list(figure_differences([1], [1, 2], "a")) == [("a", [1], [1, 2])]


def test_a_bench_is_repeated_from_its_manifest(clutchlight: Clutchlight, tmp_path: Path) -> None:
    write_truth(tmp_path / "set", [object_annotation(1, 3, ROUND), object_annotation(2, 3, ROUND)])
    results = tmp_path / "results.json"
    results.write_text(json.dumps([{"image_id": 2, "category_id": 3, "ellipse": ROUND, "score": 0.8}]))
    arguments = ("bench", "accuracy", tmp_path / "set", "--results", results)
    assert clutchlight(*arguments, "--out", tmp_path / "first", "--quiet").code == ExitCode.DONE
    written = read_manifest(tmp_path / "first" / "manifest.json")
    assert written.arguments == tuple(map(str, arguments))
    assert written.weights == {}  # no network of ours was run
    assert "All figures" in (tmp_path / "first" / "report.html").read_text()
    again = clutchlight("bench", "repeat", tmp_path / "first" / "manifest.json", "--out", tmp_path / "again")
    assert (again.code, again.stdout.splitlines()[-1]) == (ExitCode.DONE, "All figures are the same.")
    figures = tmp_path / "first" / "figures.json"
    figures.write_text(figures.read_text().replace('"recall": 0.5', '"recall": 0.75'))
    changed = clutchlight("bench", "repeat", tmp_path / "first" / "manifest.json", "--out", tmp_path / "again")
    assert changed.code == ExitCode.UNEXPECTED
    assert "classes.shelled.recall: 0.75, now 0.5" in changed.stdout
    here = clutchlight("bench", "repeat", tmp_path / "first" / "manifest.json", "--out", tmp_path / "first")
    assert here.code == ExitCode.USAGE
