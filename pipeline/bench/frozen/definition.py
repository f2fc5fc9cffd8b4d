"""The definition of a frozen benchmark: ``configs/benchmarks/NAME.toml``, and ``NAME.clips.csv`` beside it.

The first says how the animals are drawn, the second what every clip must hold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from configs.reading import ConfigError, config_path, read_toml
from synthetic.film.subjects import PlannedClip, Subject, draw_subject
from synthetic.film.world import all_worlds

__all__ = ["Benchmark", "BenchmarkDefinition", "benchmark_names", "open_benchmark"]

_Count = Annotated[int, Field(ge=1)]


class BenchmarkDefinition(BaseModel):
    """The file's content, where a comment beside every value explains it. tuned_on : name of another one, or ""."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: Annotated[str, Field(min_length=1)]
    about: Annotated[str, Field(min_length=1)]
    seed: Annotated[int, Field(ge=0)]
    animals: _Count
    worlds: Literal["balanced", "drawn"]
    clips_per_window: _Count
    fewest_frames: _Count
    tuned_on: str = ""


@dataclass(frozen=True)
class Benchmark:
    """A benchmark. name : of its file, without suffix;  path : of the definition"""

    name: str
    path: Path
    definition: BenchmarkDefinition

    @property
    def contents_path(self) -> Path:
        """Of what every clip must hold; it is missing until the benchmark is frozen."""
        return self.path.with_suffix(".clips.csv")

    def subjects(self) -> list[Subject]:
        """The animals, as they are to be filmed."""
        worlds = all_worlds() if self.definition.worlds == "balanced" else [{}]
        return [
            self._planned(draw_subject(index, self.definition.seed, worlds[index % len(worlds)]))
            for index in range(self.definition.animals)
        ]

    def _planned(self, subject: Subject) -> Subject:
        kept: list[PlannedClip] = []
        for clip in subject.clips:
            if sum(each.window == clip.window for each in kept) < self.definition.clips_per_window:
                kept.append(replace(clip, frames=max(clip.frames, self.definition.fewest_frames)))
        return replace(subject, clips=tuple(kept))

    def document(self) -> dict[str, Any]:
        """Name and definition in types of JSON."""
        return {"name": self.name, **self.definition.model_dump(mode="json")}


def benchmark_names() -> list[str]:
    """Those that are shipped."""
    return sorted(path.stem for path in config_path("settings.toml").with_name("benchmarks").glob("*.toml"))


def open_benchmark(name: str) -> Benchmark:
    """A shipped benchmark by its name, or any by the path of its definition.

    Raises ConfigError for an unknown name and for a damaged file.
    """
    path = Path(name)
    if path.suffix != ".toml":
        if name not in benchmark_names():
            raise ConfigError(f"There is no benchmark {name!r}. Choose {', '.join(benchmark_names())}, or name a file.")
        path = config_path(f"benchmarks/{name}.toml")
    return Benchmark(path.stem, path, read_toml(path, BenchmarkDefinition))
