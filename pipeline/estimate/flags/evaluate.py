"""Which reasons of the catalogue an exam gives."""

from __future__ import annotations

from pipeline.estimate.finding import Flag
from pipeline.estimate.flags.catalogue import CATALOGUE, by_urgency
from pipeline.estimate.flags.change_flags import of_change
from pipeline.estimate.flags.count_flags import of_count
from pipeline.estimate.flags.egg_flags import of_eggs
from pipeline.estimate.flags.inputs import Found, Grounds
from pipeline.estimate.flags.scan_flags import of_clips, of_scan
from pipeline.scan.coverage import usable
from pipeline.settings import Settings

__all__ = ["flags"]


def flags(grounds: Grounds, settings: Settings) -> tuple[Flag, ...]:
    """The flags of an exam, gravest first, in the catalogue's order."""
    return by_urgency(
        Flag(code, CATALOGUE[code].severity, *(text.format(**values) for text in _texts(code)))
        for code, values in _found(grounds, settings)
    )


def _texts(code: str) -> tuple[str, str]:
    return CATALOGUE[code].seen, CATALOGUE[code].advice


def _found(grounds: Grounds, settings: Settings) -> Found:
    yield from of_clips(grounds)
    if grounds.species is None:
        yield "unknown-species", {"species": "The species is not told"}
    elif grounds.profile is None:
        yield "unknown-species", {"species": f"There is no profile of {grounds.species}"}
    if not usable(grounds.coverage):
        yield "nothing-usable", {}
        return
    yield from of_scan(grounds, settings.flags)
    yield from of_count(grounds, settings.flags)
    yield from of_eggs(grounds, settings.flags)
    yield from of_change(grounds, settings.change)
