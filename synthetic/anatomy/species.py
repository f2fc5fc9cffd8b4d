"""The ranges from which phantoms of a species are drawn; what is known of the species stands in ``configs/species``."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from configs.reading import config_path, read_toml, require_ordered_ranges
from synthetic.errors import PhantomError

__all__ = ["PHANTOM_SPECIES", "SpeciesRanges", "load_species_ranges"]

PHANTOM_SPECIES = (
    "apalone-spinifera",
    "chelydra-serpentina",
    "emys-orbicularis",
    "gopherus-polyphemus",
    "terrapene-ornata",
    "testudo-hermanni-boettgeri",
    "trachemys-scripta",
)

_Positive = Annotated[float, Field(gt=0)]
Range = tuple[_Positive, _Positive]


class SpeciesRanges(BaseModel):
    """One file of ``configs/phantoms``; every range is (lowest, highest). Sources stand in the file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    species: str
    carapace_mm: Range
    width_ratio: Range
    height_ratio: Range
    clutch: tuple[Annotated[int, Field(ge=1)], Annotated[int, Field(ge=1)]]
    egg_length_mm: Range
    egg_width_mm: Range
    follicle_mm: Range

    @model_validator(mode="after")
    def _ordered(self) -> SpeciesRanges:
        return require_ordered_ranges(self)

    @model_validator(mode="after")
    def _holds_its_eggs(self) -> SpeciesRanges:
        # The smallest of what is carried must find room in the largest body; whether a whole clutch of one draw does
        # in another's is found out when it is laid there.
        carapace = self.carapace_mm[1]
        height = carapace * self.height_ratio[1]
        for name, least, room, body in (
            ("egg_length_mm", self.egg_length_mm[0], carapace, "long"),
            ("egg_width_mm", self.egg_width_mm[0], height, "high"),
            ("follicle_mm", self.follicle_mm[0], height, "high"),
        ):
            if least >= room:
                raise ValueError(f"{name} begins at {least:g} mm, and the largest animal is {room:g} mm {body}")
        return self


def load_species_ranges(name: str) -> SpeciesRanges:
    """The shipped profile of that name, for example "emys-orbicularis".

    Raises PhantomError for an unknown name, configs.reading.ConfigError for a damaged file.
    """
    if name not in PHANTOM_SPECIES:
        raise PhantomError(f'There is no species profile "{name}". Choose one of {", ".join(PHANTOM_SPECIES)}.')
    return read_toml(config_path(f"phantoms/{name}.toml"), SpeciesRanges)
