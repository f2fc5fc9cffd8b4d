"""Species profiles: published values of a species' clutch, eggs, shells and intervals, each with its source.

They support remarks ("larger than usual for the species"), never verdicts: sources disagree, and most were read as
abstracts only. If a species has no profile, or no source gives a value, it is unknown and the program makes no remark.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

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
_Positive = Annotated[float, Field(gt=0)]
_Text = Annotated[str, Field(min_length=1)]
# If a source gives only mean and standard deviation, this many deviations on either side count as usual. That covers
# 99.7 % of a normal distribution, and still the largest of the 42 eggs of Legler (1960) lies outside.
_USUAL_DEVIATIONS = 3.0


class _SourcedValue(BaseModel):
    """Anything that one source states. certainty : how far the source can be trusted"""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    source: _Text
    certainty: Certainty

    @property
    def citation(self) -> str:
        """The source, with its certainty unless that is "published"."""
        return self.source if self.certainty == "published" else f"{self.source}, {self.certainty}"


class Quantity(_SourcedValue):
    """What one source states about a number: its mean, standard deviation and range (lowest, highest), or some of them.

    The unit is that of the field of `SpeciesProfile`.
    """

    mean: _Positive | None = None
    sd: _Positive | None = None
    range: tuple[_Positive, _Positive] | None = None

    @model_validator(mode="after")
    def _is_not_empty(self) -> Quantity:
        if self.mean is None and self.range is None:
            raise ValueError("give mean or range, or both")
        if self.sd is not None and self.mean is None:
            raise ValueError("sd needs its mean")
        return require_ordered_ranges(self)

    @property
    def bounds(self) -> tuple[float, float] | None:
        """The lowest and highest value that the source states or implies; None if it states only a mean."""
        ranges = [] if self.range is None else [self.range]
        if self.mean is not None and self.sd is not None:
            margin = _USUAL_DEVIATIONS * self.sd
            ranges.append((max(self.mean - margin, 0.0), self.mean + margin))
        return _widest(ranges)


# Classes with names, since pickle cannot find those of a generic one.
class ShapeStatement(_SourcedValue):
    """What one source states about the shape of the eggs."""

    value: Literal["round", "oval", "either"]


class ShellStatement(_SourcedValue):
    """What one source states about how hard the shell becomes."""

    value: Literal["rigid", "moderately pliable", "pliable"]


class YesOrNo(_SourcedValue):
    """What one source states about something that is so or not."""

    value: bool


class SpeciesProfile(BaseModel):
    """One file of ``configs/species``. Empty fields are unknown.

    species : the name on sheets
    names : all names of the species; a longer name that begins with one of them also matches
    clutch : eggs per clutch
    egg_length_mm, egg_width_mm : of shelled eggs; both are the diameter if the eggs are round
    shape : "either" if both shapes are usual
    shell : how hard it becomes
    small_eggs_are_usual : whether clutches usually include small eggs without yolk
    ovulation_to_shell_days : from ovulation to the first image of a shell
    retention_days : from ovulation to laying; a source that counts from another event says so
    clutch_interval_days : from laying one clutch to laying the next
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    species: _Text
    names: Annotated[tuple[_Text, ...], Field(min_length=1)]
    clutch: tuple[Quantity, ...] = ()
    egg_length_mm: tuple[Quantity, ...] = ()
    egg_width_mm: tuple[Quantity, ...] = ()
    shape: ShapeStatement | None = None
    shell: ShellStatement | None = None
    small_eggs_are_usual: YesOrNo | None = None
    ovulation_to_shell_days: tuple[Quantity, ...] = ()
    retention_days: tuple[Quantity, ...] = ()
    clutch_interval_days: tuple[Quantity, ...] = ()


@dataclass(frozen=True)
class ReferenceRange:
    """All sources of a number together.

    bounds : the widest range, None if no source gives one
    means : the lowest and highest mean, None if no source gives one
    sources : in words, with their certainty
    """

    bounds: tuple[float, float] | None
    means: tuple[float, float] | None
    sources: str


def reference_range(quantities: Sequence[Quantity]) -> ReferenceRange | None:
    """All sources together; the widest range is used if they disagree. None if there is no source."""
    if not quantities:
        return None
    return ReferenceRange(
        bounds=_widest([quantity.bounds for quantity in quantities if quantity.bounds is not None]),
        means=_widest([(quantity.mean, quantity.mean) for quantity in quantities if quantity.mean is not None]),
        sources="; ".join(dict.fromkeys(quantity.citation for quantity in quantities)),
    )


def _widest(ranges: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    return (min(low for low, _ in ranges), max(high for _, high in ranges)) if ranges else None


def load_profiles() -> dict[str, SpeciesProfile]:
    """All shipped profiles, by file name without suffix, sorted. Raises configs.reading.ConfigError."""
    folder = config_path("settings.toml").parent / "species"
    return {path.stem: read_toml(path, SpeciesProfile) for path in sorted(folder.glob("*.toml"))}


def find_profile(species: str | None, profiles: Mapping[str, SpeciesProfile]) -> SpeciesProfile | None:
    """The profile whose name equals the species or its first words; None if there is none. The longest name is used.

    So "Testudo hermanni boettgeri" has the profile of Testudo hermanni, and every Kinosternon that of its family.
    """
    species_words = (species or "").casefold().split()
    matches = [
        (len(words), profile)
        for profile in profiles.values()
        for words in (name.casefold().split() for name in profile.names)
        if species_words[: len(words)] == words
    ]
    return max(matches, key=lambda match: match[0])[1] if matches else None
