"""Species profiles: what is known of a species' clutch, eggs, shells and times, each value with its source.

They are grounds for remarks ("larger than usual for the species"), never for verdicts: sources disagree, and most were
read as abstracts. A species without a profile, or a value that no source gives, is unknown, and nothing is said of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from configs.reading import config_path, read_toml, require_ordered_ranges

__all__ = [
    "Certainty",
    "Quantity",
    "ReferenceRange",
    "SpeciesProfile",
    "find_profile",
    "load_profiles",
    "reference_range",
]

Certainty = Literal["published", "secondary", "from memory", "unsure"]
Value = TypeVar("Value")
_Positive = Annotated[float, Field(gt=0)]
_Text = Annotated[str, Field(min_length=1)]
# Of a source that gives mean and standard deviation only, so many deviations either way are taken for usual: of normal
# values 99.7 in 100. Legler's (1960) largest of 42 eggs lies beyond even that.
_DEVIATIONS = 3.0


class _Fact(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    source: _Text
    certainty: Certainty

    @property
    def citation(self) -> str:
        """The source, with how far it is to be trusted where that is less than published."""
        return self.source if self.certainty == "published" else f"{self.source}, {self.certainty}"


class Quantity(_Fact):
    """What one source says of a number: any of its mean, standard deviation and lowest and highest."""

    mean: _Positive | None = None
    sd: _Positive | None = None
    range: tuple[_Positive, _Positive] | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Quantity:
        if self.mean is None and self.range is None:
            raise ValueError("give mean or range, or both")
        if self.sd is not None and self.mean is None:
            raise ValueError("sd needs its mean")
        return require_ordered_ranges(self)

    @property
    def bounds(self) -> tuple[float, float] | None:
        """Lowest and highest that the source tells or implies; None where it gives a mean alone."""
        told = [] if self.range is None else [self.range]
        if self.mean is not None and self.sd is not None:
            told.append((max(self.mean - _DEVIATIONS * self.sd, 0.0), self.mean + _DEVIATIONS * self.sd))
        return (min(low for low, _ in told), max(high for _, high in told)) if told else None


class Statement(_Fact, Generic[Value]):
    """What one source says of a kind."""

    value: Value


class SpeciesProfile(BaseModel):
    """One file of ``configs/species``. What is empty is not known.

    species : as sheets name it;  names : that it is known by; a longer name that begins with one is meant, too
    clutch : eggs;  egg_length_mm, egg_width_mm : of shelled eggs, both the diameter where they are round
    shape : "either" where eggs of both shapes are usual;  shell : how hard it becomes
    small_eggs_are_usual : small ones without yolk lie among the others
    ovulation_to_shell_days : from ovulation to the first image of a shell;  retention_days : to laying
    clutch_interval_days : from laying one clutch to laying the next
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    species: _Text
    names: Annotated[tuple[_Text, ...], Field(min_length=1)]
    clutch: tuple[Quantity, ...] = ()
    egg_length_mm: tuple[Quantity, ...] = ()
    egg_width_mm: tuple[Quantity, ...] = ()
    shape: Statement[Literal["round", "oval", "either"]] | None = None
    shell: Statement[Literal["rigid", "moderately pliable", "pliable"]] | None = None
    small_eggs_are_usual: Statement[bool] | None = None
    ovulation_to_shell_days: tuple[Quantity, ...] = ()
    retention_days: tuple[Quantity, ...] = ()
    clutch_interval_days: tuple[Quantity, ...] = ()


@dataclass(frozen=True)
class ReferenceRange:
    """What all sources of a number say together: the widest range, and the lowest and highest of their means.

    bounds, means : None where no source gives any;  sources : in words, with how far each is to be trusted
    """

    bounds: tuple[float, float] | None
    means: tuple[float, float] | None
    sources: str


def reference_range(quantities: Sequence[Quantity]) -> ReferenceRange | None:
    """All sources together, so that where they disagree the wider holds; None where there is none."""
    if not quantities:
        return None
    bounds = [each for each in (quantity.bounds for quantity in quantities) if each is not None]
    means = [each.mean for each in quantities if each.mean is not None]
    return ReferenceRange(
        bounds=(min(low for low, _ in bounds), max(high for _, high in bounds)) if bounds else None,
        means=(min(means), max(means)) if means else None,
        sources="; ".join(dict.fromkeys(quantity.citation for quantity in quantities)),
    )


def load_profiles() -> dict[str, SpeciesProfile]:
    """All shipped profiles by the names of their files, in order. Raises configs.reading.ConfigError."""
    folder = config_path("settings.toml").parent / "species"
    return {path.stem: read_toml(path, SpeciesProfile) for path in sorted(folder.glob("*.toml"))}


def find_profile(species: str | None, profiles: Mapping[str, SpeciesProfile]) -> SpeciesProfile | None:
    """The profile whose name the told species is or begins with, the longest such; None if there is none.

    So "Testudo hermanni boettgeri" has the profile of Testudo hermanni, and any Kinosternon that of its family.
    """
    told = (species or "").casefold().split()
    found = [
        (len(words), profile)
        for profile in profiles.values()
        for words in (name.casefold().split() for name in profile.names)
        if told[: len(words)] == words
    ]
    return max(found, key=lambda each: each[0])[1] if found else None
