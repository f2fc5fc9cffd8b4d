"""Licences, pinned versions and bill of materials of the packages that pip installs beside Clutchlight.

python .ci/third_party.py notice   # writes configs/NOTICE, from the packages installed here (extra test)
python .ci/third_party.py lock     # writes configs/requirements-light.txt, for this version of Python and machine
python .ci/third_party.py sbom     # writes build/sbom.cdx.json, of the pinned packages
python .ci/third_party.py audit    # asks the package index for known weaknesses of the pinned packages, by pip-audit

audit ends with 0 if none is known, 1 if some are, 3 if that could not be found out for all packages. It needs the
network and pip-audit (pip install pip-audit), so nothing else depends on it.
"""

from __future__ import annotations

import json
import platform
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
NOTICE, LOCK, SBOM = (
    ROOT / "configs" / "NOTICE",
    ROOT / "configs" / "requirements-light.txt",
    ROOT / "build/sbom.cdx.json",
)
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

# Parts of licence expressions and of older free text that permit use in a program under another licence.
PERMISSIVE = re.compile(
    r"0BSD|Apache[ -](Software License|License|2\.0|2)( WITH LLVM-exception)?|BSL-1\.0|CC0-1\.0|"
    r"(New |Simplified |Free)?BSD([ -][23]-Clause)?( License)?|ISC( License)?( \(ISCL\))?|MIT(-0|-CMU)?( License)?|"
    r"PSF-2\.0|Python Software Foundation License|SIL O(pen Font License|FL) 1\.1( \(OFL-1\.1\))?|Zlib",
    re.IGNORECASE,
)
HEAD = """\
Clutchlight is licensed under the Apache License 2.0 (file LICENSE). pip installs the packages below beside it, each
under its own licence, whose text lies in its folder NAME-VERSION.dist-info. Names and licences are as the packages
themselves state them. Written by: python .ci/third_party.py notice
"""
BUNDLED = """\
Libraries under the GPL and the LGPL that come inside wheels (as seen in those for Linux on x86-64)

- av: PyAV itself is BSD-3-Clause. Its wheels contain FFmpeg, which names itself LGPL-3.0-or-later, linked with x264 and
  x265 (GPL-2.0-or-later), which are loaded with it. Clutchlight decodes video by FFmpeg alone and needs neither of the
  two for that; x264 encodes the clips of simulated animals (extra train). Whoever passes on an environment with this
  wheel, such as a container image, passes on code under the GPL. PyAV can be built from its source against an FFmpeg
  without them; this has not been tried here.
- opencv-python-headless: FFmpeg, LGPL-2.1-or-later, without x264 and x265.
- opencv-python (extra test, required by trackeval): the same, and Qt 5, LGPL-3.0.
- shapely: GEOS, LGPL-2.1.
- numpy, scipy, opencv-python-headless: libgfortran and libquadmath of GCC (GPL-3.0 with the GCC Runtime Library
  Exception, and LGPL-2.1), whose exception permits this use.
"""
TITLES = {
    "": "Always installed",
    "train": "Extra train: simulated animals, training and bench",
    "cluster": "Extra cluster: clips are read on many machines",
    "postgresql": "Extra postgresql: a store for several machines",
    "objects": "Extra objects: recordings on object storage",
    "jpeg-gpl": "Extra jpeg-gpl: JPEG of more than 8 bits in DICOM files. Under the GPL, and never installed otherwise",
    "test": "Extra test, for developers. PyMUST (LGPL) simulates pictures for one test",
}


@dataclass(frozen=True)
class Pinned:
    """One package of the lock file. sha256 : of the archive that pip chose"""

    name: str
    version: str
    sha256: str


def direct_requirements(extra: str = "") -> list[Requirement]:
    """Those that pyproject.toml declares, without Clutchlight's own extras. extra : empty for those always installed"""
    declared = PROJECT["optional-dependencies"][extra] if extra else PROJECT["dependencies"]
    return [one for one in map(Requirement, declared) if one.name != PROJECT["name"]]


def installed(requirements: Iterable[Requirement]) -> dict[str, Distribution]:
    """All that the requirements lead to, by normalised name. What is not installed here is left out."""
    found: dict[str, Distribution] = {}
    waiting = list(requirements)
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        if name in found:
            continue
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue
        waiting += _required_by(found[name], requirement.extras)
    return dict(sorted(found.items()))


def _required_by(package: Distribution, extras: Iterable[str] = ()) -> Iterator[Requirement]:
    for requirement in map(Requirement, package.requires or []):
        marker = requirement.marker
        if marker is None or any(marker.evaluate({"extra": extra}) for extra in ("", *extras)):
            yield requirement


def licence(package: Distribution) -> str:
    """A licence expression (SPDX) if the package gives one, or else the words of its metadata."""
    metadata = package.metadata
    if metadata.get("License-Expression"):
        return str(metadata["License-Expression"])
    classifiers = [c.split(" :: ")[-1] for c in metadata.get_all("Classifier") or [] if c.startswith("License :: ")]
    words = [c for c in classifiers if c != "OSI Approved"]
    first_line = str(metadata.get("License") or "").strip().partition("\n")[0]
    return " AND ".join(words) or first_line or "not stated"


def is_permissive(words: str) -> bool:
    """Whether every part of the expression is a permissive licence, also where one of several may be chosen."""
    parts = (part.lstrip("(") for part in re.split(r" AND | OR ", words))
    return all(PERMISSIVE.fullmatch(p.rstrip(")") if p.count(")") > p.count("(") else p) for p in parts)


def notice() -> str:
    """The text of configs/NOTICE."""
    always = installed(direct_requirements())
    parts = [HEAD]
    for extra, title in TITLES.items():
        packages = installed(direct_requirements(extra))
        shown = [p for name, p in packages.items() if not extra or name not in always]
        parts.append("\n".join([title, "", *(f"- {p.metadata['Name']}: {licence(p)}" for p in shown), ""]))
    return "\n".join([parts[0], BUNDLED, *parts[1:]])


def lock() -> str:
    """The text of configs/requirements-light.txt: what pip would install today. It asks the package index."""
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--dry-run", "--ignore-installed", "--report", "-"]
    done = subprocess.run([*command, str(ROOT)], check=True, stdout=subprocess.PIPE, text=True)
    packages = [one for one in json.loads(done.stdout)["install"] if "archive_info" in one["download_info"]]
    lines = []
    for one in sorted(packages, key=lambda one: canonicalize_name(one["metadata"]["name"])):
        sha256 = one["download_info"]["archive_info"]["hashes"]["sha256"]
        lines.append(
            f"{canonicalize_name(one['metadata']['name'])}=={one['metadata']['version']} --hash=sha256:{sha256}\n"
        )
    version = ".".join(map(str, sys.version_info[:2]))
    head = (
        f"# What a light installation holds, for Python {version} on {sys.platform}, {platform.machine()}.\n"
        "# Written by: python .ci/third_party.py lock\n"
    )
    return head + "".join(lines)


def read_lock() -> list[Pinned]:
    lines = [line for line in LOCK.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    parts = [re.fullmatch(r"(\S+)==(\S+) --hash=sha256:([0-9a-f]{64})", line) for line in lines]
    return [Pinned(*part.groups()) for part in parts if part is not None]


def sbom() -> dict[str, Any]:
    """The light installation as a CycloneDX 1.5 document. Licences are those of the versions installed here."""
    pinned = {one.name: one for one in read_lock()}
    references = {name: f"pkg:pypi/{name}@{one.version}" for name, one in pinned.items()}
    own = f"pkg:pypi/{PROJECT['name']}@{PROJECT['version']}"
    packages = installed(direct_requirements())
    components, edges = [], [{"ref": own, "dependsOn": _references(direct_requirements(), references)}]
    for name, one in pinned.items():
        component: dict[str, Any] = {"type": "library", "bom-ref": references[name], "name": name}
        component |= {"version": one.version, "purl": references[name]}
        component["hashes"] = [{"alg": "SHA-256", "content": one.sha256}]
        if name in packages:
            component["licenses"] = [{"license": {"name": licence(packages[name])}}]
            edges.append({"ref": references[name], "dependsOn": _references(_required_by(packages[name]), references)})
        components.append(component)
    subject = {"type": "application", "bom-ref": own, "name": PROJECT["name"], "version": PROJECT["version"]}
    subject["licenses"] = [{"license": {"id": PROJECT["license"]}}]
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": subject},
        "components": components,
        "dependencies": edges,
    }


def _references(requirements: Iterable[Requirement], references: dict[str, str]) -> list[str]:
    names = {canonicalize_name(requirement.name) for requirement in requirements}
    return sorted(references[name] for name in names if name in references)


def audit() -> int:
    """Print the known weaknesses of the pinned packages, and return the exit code."""
    command = [sys.executable, "-m", "pip_audit", "--requirement", str(LOCK), "--no-deps", "--disable-pip"]
    done = subprocess.run(
        [*command, "--progress-spinner", "off", "--format", "json"], capture_output=True, text=True, check=False
    )
    try:
        packages = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):  # it is not installed, or has not reached anybody
        last_line = (done.stderr.strip() or "pip-audit said nothing").splitlines()[-1]
        sys.stderr.write(f"Nothing was checked: {last_line}\n")
        return 3
    # pip-audit itself counts a package that the index does not know as free of weaknesses.
    unknown = [package["name"] for package in packages if "vulns" not in package]
    found = []
    for package in packages:
        for weakness in package.get("vulns", ()):
            fixed = ", ".join(weakness["fix_versions"]) or "no version"
            found.append(f"{package['name']} {package['version']}: {weakness['id']}, fixed in {fixed}")
    sys.stdout.write("".join(f"{line}\n" for line in found))
    sys.stderr.write(f"{len(packages) - len(unknown)} of {len(read_lock())} packages were checked.\n")
    if found:
        return 1
    return 0 if len(packages) - len(unknown) == len(read_lock()) else 3


def main(arguments: list[str]) -> int:
    if arguments == ["notice"]:
        NOTICE.write_text(notice(), encoding="utf-8")
    elif arguments == ["lock"]:
        LOCK.write_text(lock(), encoding="utf-8")
    elif arguments == ["sbom"]:
        SBOM.parent.mkdir(exist_ok=True)
        SBOM.write_text(json.dumps(sbom(), indent=2) + "\n", encoding="utf-8")
    elif arguments == ["audit"]:
        return audit()
    else:
        sys.stderr.write(__doc__ or "")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
