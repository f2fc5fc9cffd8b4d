"""The packages that come with Clutchlight: their licences, the lock file, and the bill of materials."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import pytest
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def third_party() -> ModuleType:
    spec = spec_from_file_location("third_party", ROOT / ".ci" / "third_party.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules["third_party"] = module  # dataclasses look for their module there
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    "words",
    [
        "MIT",
        "BSD License",
        "MIT OR Apache-2.0",
        "Apache-2.0 AND Apache-2.0 WITH LLVM-exception AND BSD-2-Clause",
        "BSD-3-Clause AND 0BSD AND MIT AND Zlib AND CC0-1.0",
        "SIL Open Font License 1.1 (OFL-1.1)",
        "MIT AND (Apache-2.0 OR BSD-2-Clause)",
    ],
)
def test_permissive_licences_are_recognised(third_party: ModuleType, words: str) -> None:
    assert third_party.is_permissive(words)


@pytest.mark.parametrize(
    "words",
    [
        "GPL V3.0",
        "GPL-2.0-or-later",
        "LGPL-3.0-or-later",
        "AGPL-3.0",
        "GNU General Public License v3 (GPLv3) AND MIT License",
        "MIT AND (GPL-3.0 OR LGPL-3.0)",
        "not stated",
        "",
    ],
)
def test_other_licences_are_not_taken_for_permissive(third_party: ModuleType, words: str) -> None:
    assert not third_party.is_permissive(words)


def test_what_is_always_installed_has_a_permissive_licence(third_party: ModuleType) -> None:
    """With all that it requires in turn. What wheels contain besides is in configs/NOTICE."""
    packages = third_party.installed(third_party.direct_requirements())
    assert len(packages) > 30
    licences = {name: third_party.licence(package) for name, package in packages.items()}
    assert {name: words for name, words in licences.items() if not third_party.is_permissive(words)} == {}


@pytest.mark.parametrize("extra", ["", "train", "cluster", "objects", "postgresql", "test"])
def test_the_notice_names_every_declared_package_with_its_licence(third_party: ModuleType, extra: str) -> None:
    """Not what they require in turn, which changes without a change here."""
    entries = re.findall(r"^- (\S+): (.+)$", (ROOT / "configs" / "NOTICE").read_text(encoding="utf-8"), re.MULTILINE)
    noticed = {(canonicalize_name(name), words) for name, words in entries}
    requirements = third_party.direct_requirements(extra)
    packages = third_party.installed(requirements)
    wanted = {canonicalize_name(requirement.name) for requirement in requirements}
    missing = {(name, third_party.licence(packages[name])) for name in wanted if name in packages} - noticed
    assert missing == set(), "run: python .ci/third_party.py notice"
    assert wanted <= {name for name, _ in noticed}, "run: python .ci/third_party.py notice"


def test_the_lock_pins_every_package_of_the_light_installation(third_party: ModuleType) -> None:
    pinned = {one.name: one for one in third_party.read_lock()}
    lines = third_party.LOCK.read_text(encoding="utf-8").splitlines()
    assert len(pinned) == sum(not line.startswith("#") for line in lines)  # every line has a version and a hash
    for requirement in third_party.direct_requirements():
        name = canonicalize_name(requirement.name)
        assert name in pinned, "run: python .ci/third_party.py lock"
        assert requirement.specifier.contains(pinned[name].version), "run: python .ci/third_party.py lock"
    extras = [*third_party.direct_requirements("train"), *third_party.direct_requirements("jpeg-gpl")]
    assert not {canonicalize_name(requirement.name) for requirement in extras} & set(pinned)


def test_the_bill_of_materials_has_the_pinned_packages(third_party: ModuleType) -> None:
    document = third_party.sbom()
    assert (document["bomFormat"], document["specVersion"]) == ("CycloneDX", "1.5")
    purls = {component["purl"]: component["hashes"][0]["content"] for component in document["components"]}
    assert purls == {f"pkg:pypi/{one.name}@{one.version}": one.sha256 for one in third_party.read_lock()}
    references = {document["metadata"]["component"]["bom-ref"], *purls}
    edges = {edge["ref"]: edge["dependsOn"] for edge in document["dependencies"]}
    assert set(edges) <= references
    assert all(set(targets) <= references for targets in edges.values())
    numpy = next(purl for purl in purls if purl.startswith("pkg:pypi/numpy@"))
    assert numpy in edges[next(purl for purl in purls if purl.startswith("pkg:pypi/scipy@"))]


WEAK = {"name": "a", "version": "1", "vulns": [{"id": "CVE-1", "fix_versions": ["2"]}]}


@pytest.mark.parametrize(
    ("answer", "code", "printed", "message"),
    [
        ({"dependencies": [{"name": "a", "version": "1", "vulns": []}] * 2}, 0, "", "2 of 2 packages were checked."),
        ({"dependencies": [WEAK] * 2}, 1, "a 1: CVE-1, fixed in 2\n" * 2, "2 of 2 packages were checked."),
        ({"dependencies": [{"name": "a", "skip_reason": "unknown"}] * 2}, 3, "", "0 of 2 packages were checked."),
        ({"dependencies": [WEAK, {"name": "b", "skip_reason": "x"}]}, 1, "a 1: CVE-1, fixed in 2\n", "1 of 2"),
        (None, 3, "", "Nothing was checked: No module named pip_audit"),
    ],
)
def test_the_audit_says_what_it_could_not_check(
    third_party: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    answer: object,
    code: int,
    printed: str,
    message: str,
) -> None:
    done = subprocess.CompletedProcess([], 1, "" if answer is None else json.dumps(answer), "No module named pip_audit")
    monkeypatch.setattr(third_party.subprocess, "run", lambda *arguments, **options: done)
    monkeypatch.setattr(third_party, "read_lock", lambda: ["a", "b"])
    assert third_party.main(["audit"]) == code
    said = capsys.readouterr()
    assert said.out == printed
    assert message in said.err
