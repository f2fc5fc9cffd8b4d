"""Base class and value types of the tables that TOML files are read into."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Positive", "Probability", "Share", "TomlTable"]

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Probability = Annotated[float, Field(gt=0.0, lt=1.0)]
Positive = Annotated[float, Field(gt=0.0, le=1e6)]


class TomlTable(BaseModel):
    """A table of a TOML file. It cannot be changed once read, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
