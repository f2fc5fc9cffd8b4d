"""What differs between two runs of one bench: their manifests, and their figures to the last digit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pipeline.bench_report.manifest import Manifest

__all__ = ["figure_differences", "manifest_differences"]

_TIMED = frozenset({"cost"})  # what no run repeats


def manifest_differences(before: Manifest, now: Manifest) -> Iterator[str]:
    """A sentence for each thing that may change figures: program, network, settings, packages, processor."""
    if (before.commit, before.has_changes) != (now.commit, now.has_changes) or before.version != now.version:
        yield f"program: {_program(before)}, now {_program(now)}"
    if before.weights != now.weights:
        shas = [each.weights.get("sha256", "none")[:12] for each in (before, now)]
        yield f"network: SHA-256 {shas[0]}, now {shas[1]}"
    if before.settings != now.settings:
        yield "settings: " + ", ".join(path for path, _, _ in figure_differences(before.settings, now.settings))
    packages = sorted(
        name
        for name in before.packages.keys() | now.packages.keys()
        if before.packages.get(name) != now.packages.get(name)
    )
    if packages:
        versions = (f"{name} {before.packages.get(name, '-')}, now {now.packages.get(name, '-')}" for name in packages)
        yield f"packages: {'; '.join(versions)}"
    if before.machine.get("processor") != now.machine.get("processor"):
        yield f"processor: {before.machine.get('processor')}, now {now.machine.get('processor')}"


def _program(manifest: Manifest) -> str:
    commit = (manifest.commit or "unknown")[:12]
    return f"{manifest.version} of commit {commit}{' with changes' if manifest.has_changes else ''}"


def figure_differences(before: Any, now: Any, path: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Place and both values of everything that is not the same in two documents of JSON, without times."""
    if isinstance(before, dict) and isinstance(now, dict):
        for key in [*before, *(key for key in now if key not in before)]:
            if key not in _TIMED:
                yield from figure_differences(before.get(key), now.get(key), f"{path}.{key}".lstrip("."))
    elif isinstance(before, list) and isinstance(now, list) and len(before) == len(now):
        for index, (one, other) in enumerate(zip(before, now, strict=True)):
            yield from figure_differences(one, other, f"{path}[{index}]")
    elif before != now:
        yield path, before, now
