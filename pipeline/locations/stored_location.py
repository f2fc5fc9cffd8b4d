"""Locations in what is kept as JSON. A module of its own, since pydantic takes a while to load."""

from __future__ import annotations

from typing import Annotated

from pydantic import PlainSerializer, PlainValidator

from pipeline.locations.location import Location, location

__all__ = ["StoredLocation"]


def _location(stored: object) -> Location:
    return location(str(stored))


# It is kept as its text.
StoredLocation = Annotated[Location, PlainValidator(_location), PlainSerializer(str, return_type=str)]
