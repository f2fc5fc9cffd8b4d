"""The ranges from which phantoms of a species are drawn. Facts about the species stand in ``configs/species``."""

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
    """One file of ``configs/phantoms``. Every range is (lowest, highest). The file gives the sources."""

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
        # The smallest egg must fit into the largest body. Whether a drawn clutch fits into a drawn body turns out only
        # when it is placed there.
        carapace = self.carapace_mm[1]
        height = carapace * self.height_ratio[1]
        for name, least, room, body in (
            ("egg_length_mm", self.egg_length_mm[0], carapace, "long"),
            ("egg_width_mm", self.egg_width_mm[0], height, "high"),
            ("follicle_mm", self.follicle_mm[0], height, "high"),
        ):
            if least >= room:
                raise ValueError(f"{name} starts at {least:g} mm, but the largest animal is {room:g} mm {body}")
        return self


def load_species_ranges(name: str) -> SpeciesRanges:
    """The shipped ranges of a species, for example of "emys-orbicularis".

    Raises PhantomError for an unknown name, and configs.reading.ConfigError for an invalid file.
    """
    if name not in PHANTOM_SPECIES:
        raise PhantomError(
            f'There are no phantoms of the species "{name}". Choose one of {", ".join(PHANTOM_SPECIES)}.'
        )
    return read_toml(config_path(f"phantoms/{name}.toml"), SpeciesRanges)
