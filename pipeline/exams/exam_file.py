"""``exam.toml``: what a person noted about an exam, in the folder of its recordings. Every key is optional."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator

from models.printable import is_printable

__all__ = ["ClipNote", "ExamFile"]

MAXIMUM_CLIPS = 500  # of one exam (common practice, no source)


def _require_printable(text: str) -> str:
    if not is_printable(text):
        raise ValueError("holds control or invisible characters; type it again")
    return text


# Invisible characters would hide a formula from the check of tables, or make two equal names differ.
_Text = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_require_printable)]


class ClipNote(BaseModel):
    """A ``[[clip]]`` table.

    hand : the direction of the sweep over the skin
    mm_per_px, depth_mm : the scale, as one of the two; depth_mm is the depth of the whole sector
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    file: Annotated[str, Field(min_length=1, max_length=255), AfterValidator(_require_printable)]
    window: Literal["left", "right"] | None = None
    hand: Literal["tail to head", "head to tail"] | None = None
    # Bounds that hold for any ultrasound image, to catch values in a wrong unit (common practice, no source).
    mm_per_px: Annotated[float, Field(ge=0.005, le=5.0)] | None = None
    depth_mm: Annotated[float, Field(ge=5.0, le=500.0)] | None = None

    @model_validator(mode="after")
    def has_one_scale(self) -> ClipNote:
        if self.mm_per_px is not None and self.depth_mm is not None:
            raise ValueError("has both mm_per_px and depth_mm; keep one of them")
        return self


class ExamFile(BaseModel):
    """The whole file. If animal or date is missing, it is taken from the folder names.

    passed_before : eggs known to have been laid before this exam
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    animal: Annotated[str, Field(max_length=200)] | None = None  # checked further where it may also be a folder's name
    date: dt.date | None = None
    species: _Text | None = None
    weight_g: Annotated[float, Field(gt=0.0, le=1_000_000.0)] | None = None
    carapace_mm: Annotated[float, Field(gt=0.0, le=3000.0)] | None = None
    carapace_width_mm: Annotated[float, Field(gt=0.0, le=3000.0)] | None = None
    scanned_by: _Text | None = None
    passed_before: Annotated[int, Field(ge=0, le=1000)] = 0
    clip: Annotated[tuple[ClipNote, ...], Field(max_length=MAXIMUM_CLIPS)] = ()

    @field_validator("clip")
    @classmethod
    def names_each_file_once(cls, clips: tuple[ClipNote, ...]) -> tuple[ClipNote, ...]:
        numbers = Counter(clip.file for clip in clips)
        repeated = next((file for file, number in numbers.items() if number > 1), None)
        if repeated is not None:
            raise ValueError(f"the file '{repeated}' has two [[clip]] tables; keep one of them")
        return clips
