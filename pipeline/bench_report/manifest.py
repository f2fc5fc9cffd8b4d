"""``manifest.json``: what was run, on what, with which program and where, so that it can be repeated exactly."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import platform
import shlex
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from models.errors import ClutchlightError
from models.weights_file import weights_sha256
from pipeline.bench.frozen.making import DEFINITION_NAME
from pipeline.settings import Settings

__all__ = ["Manifest", "ManifestError", "make_manifest", "read_manifest"]

_SOURCE = Path(__file__).parents[2]


class ManifestError(ClutchlightError):
    """A manifest that cannot be read."""


@dataclass(frozen=True)
class Manifest:
    """arguments : of ``clutchlight``, without the output folder;  folder : in which it was run
    figures : the file with the figures, beside the manifest;  seeds : by what they are for
    commit : of the program's source, None if unknown;  has_changes : whether files differed from it
    weights : file and SHA-256, empty where no network of ours was run;  settings : all of them, as they were used
    data_sets : path, SHA-256 of the ground truth, and the definition of a frozen benchmark, by name
    """

    arguments: tuple[str, ...]
    folder: str
    figures: str
    ended: str
    version: str
    commit: str | None
    has_changes: bool
    weights: Mapping[str, str]
    seeds: Mapping[str, int]
    data_sets: Mapping[str, Mapping[str, Any]]
    settings: Mapping[str, Any]
    packages: Mapping[str, str]
    machine: Mapping[str, str]

    @property
    def command(self) -> str:
        """As it is typed, without the output folder."""
        return shlex.join(["clutchlight", *self.arguments])

    def document(self) -> dict[str, Any]:
        return asdict(self)

    def lines(self) -> Iterator[tuple[str, str]]:
        """What a reader of the page sees of it: label and text."""
        changes = " with changes" if self.has_changes else ""
        yield "Program", f"clutchlight {self.version}, commit {self.commit or 'unknown'}{changes}"
        if self.weights:
            yield "Network", f"{self.weights['file']}, SHA-256 {self.weights['sha256']}"
        for name, each in self.data_sets.items():
            yield f"Data set {name}", f"ground truth with SHA-256 {each['sha256']}"
        if self.seeds:
            yield "Seeds", ", ".join(f"{purpose} {seed}" for purpose, seed in self.seeds.items())
        yield "Machine", ", ".join(f"{name} {value}" for name, value in self.machine.items())
        yield "Ended", self.ended


def make_manifest(
    arguments: Sequence[str],
    figures: str,
    *,
    settings: Settings,
    weights: Path | None,
    data_sets: Mapping[str, Path],
    seeds: Mapping[str, int],
) -> Manifest:
    """The manifest of what this process has just done.

    weights : None where no network of ours was run;  data_sets : folders by name
    """
    commit, has_changes = _source_state()
    return Manifest(
        arguments=tuple(arguments),
        folder=str(Path.cwd()),
        figures=figures,
        ended=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        version=metadata.version("clutchlight"),
        commit=commit,
        has_changes=has_changes,
        weights={} if weights is None else {"file": weights.name, "sha256": weights_sha256(weights)},
        seeds=dict(seeds),
        data_sets={name: _data_set(folder) for name, folder in data_sets.items()},
        settings=settings.model_dump(mode="json"),
        packages=dict(sorted((each.name.lower(), each.version) for each in metadata.distributions())),
        machine=_machine(),
    )


def read_manifest(path: Path) -> Manifest:
    """Raises ManifestError."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return Manifest(**{**document, "arguments": tuple(document["arguments"])})
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise ManifestError(f"{path} is no manifest ({error}). Name a manifest.json that a bench wrote.") from error


def _data_set(folder: Path) -> dict[str, Any]:
    truth = folder / "truth" if (folder / "truth").is_dir() else folder
    digest = hashlib.sha256()
    for name in ("coco.json", "animals.json"):
        if (truth / name).exists():  # egg-free recordings have none
            digest.update((truth / name).read_bytes())
    definition = folder / DEFINITION_NAME
    return {
        "path": str(folder.resolve()),
        "sha256": digest.hexdigest(),
        "benchmark": json.loads(definition.read_text(encoding="utf-8")) if definition.exists() else None,
    }


def _source_state() -> tuple[str | None, bool]:
    """Commit of the source, and whether files differ from it; None where it is not a checkout."""
    if not (_SOURCE / ".git").exists():
        return None, False
    try:
        commit, changes = (
            subprocess.run(["git", *command], cwd=_SOURCE, capture_output=True, text=True, check=True).stdout.strip()
            for command in (("rev-parse", "HEAD"), ("status", "--porcelain", "--untracked-files=no"))
        )
    except (OSError, subprocess.CalledProcessError):
        return None, False
    return commit, bool(changes)


def _machine() -> dict[str, str]:
    """Without its name, which is nobody's business."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        model = next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), "")
    except OSError:
        model = ""
    memory_gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "system": f"{platform.system()} {platform.release()}",
        "processor": model or platform.machine(),
        "cores": f"{len(os.sched_getaffinity(0))}",
        "memory": f"{memory_gib:.0f} GiB",
        "Python": platform.python_version(),
    }
