"""The definition of a study: ``configs/studies/NAME.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from configs.reading import ConfigError, config_path, read_toml
from synthetic.training.training_run import TrainingSettings, load_training_settings

__all__ = ["Study", "StudyDefinition", "StudyRun", "Variant", "open_study", "study_names"]

# Pictures of 256 px a second, rendered and learned on one GPU of a data centre: MODEL_CARD.md says 2,800 to 3,900.
_PICTURES_PER_SECOND = 3000
_SIDE_PX = 256
_MINUTES_PER_RUN = 1.0  # to draw the phantoms and to measure (judgement)

_Text = Annotated[str, Field(min_length=1)]


class Variant(BaseModel):
    """One kind of training. settings : of the training, that differ from those of the study"""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: _Text
    settings: dict[str, Any]


class StudyDefinition(BaseModel):
    """The file's content, where comments explain it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: _Text
    question: _Text
    base: _Text
    seeds: Annotated[tuple[Annotated[int, Field(ge=0)], ...], Field(min_length=1)]
    settings: dict[str, Any]
    variant: Annotated[tuple[Variant, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _has_distinct_names(self) -> StudyDefinition:
        if len({each.name for each in self.variant}) < len(self.variant):
            raise ValueError("two variants have the same name")
        return self


@dataclass(frozen=True)
class StudyRun:
    """One training of a study. settings : all of them"""

    variant: str
    seed: int
    settings: TrainingSettings

    @property
    def name(self) -> str:
        """Of its files."""
        words = "".join(letter if letter.isalnum() else " " for letter in self.variant.lower()).split()
        return f"{'-'.join(words)}-seed-{self.seed}"


@dataclass(frozen=True)
class Study:
    """A study. name : of its file;  runs : in order, all seeds of a variant together"""

    name: str
    definition: StudyDefinition
    runs: tuple[StudyRun, ...]

    @property
    def gpu_minutes(self) -> float:
        """About how long all runs take on one GPU of a data centre. A frame costs as its area, three as three."""
        pictures = sum(
            run.settings.steps * run.settings.batch * run.settings.frames * (run.settings.side_px / _SIDE_PX) ** 2
            for run in self.runs
        )
        return pictures / _PICTURES_PER_SECOND / 60 + _MINUTES_PER_RUN * len(self.runs)


def study_names() -> list[str]:
    """Those that are shipped."""
    return sorted(path.stem for path in config_path("settings.toml").with_name("studies").glob("*.toml"))


def open_study(name: str) -> Study:
    """A shipped study by its name, or any by the path of its definition; its base is then beside it or shipped.

    Raises ConfigError for an unknown name, a damaged file, and settings that no training has.
    """
    path = Path(name)
    if path.suffix != ".toml":
        if name not in study_names():
            raise ConfigError(f"There is no study {name!r}. Choose {', '.join(study_names())}, or name a file.")
        path = config_path(f"studies/{name}.toml")
    definition = read_toml(path, StudyDefinition)
    beside = path.with_name(definition.base)
    base = load_training_settings(beside if beside.exists() else config_path(definition.base))
    runs = tuple(
        StudyRun(variant.name, seed, _settings(path, base, {**definition.settings, **variant.settings, "seed": seed}))
        for variant in definition.variant
        for seed in definition.seeds
    )
    return Study(path.stem, definition, runs)


def _settings(path: Path, base: TrainingSettings, changes: dict[str, Any]) -> TrainingSettings:
    try:
        return TrainingSettings.model_validate({**base.model_dump(), **changes})
    except ValidationError as error:
        problems = "; ".join(f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors())
        raise ConfigError(f"{path}: these are no settings of a training: {problems}.") from error
