"""Which reasons of the catalogue an exam gives."""

from __future__ import annotations

from pipeline.estimate.coverage import usable
from pipeline.estimate.finding import Flag, Severity
from pipeline.estimate.flags.catalogue import CATALOGUE
from pipeline.estimate.flags.grounds import Found, Grounds
from pipeline.estimate.flags.of_change import of_change
from pipeline.estimate.flags.of_count import of_count
from pipeline.estimate.flags.of_eggs import of_eggs
from pipeline.estimate.flags.of_scan import of_clips, of_scan
from pipeline.settings import Settings

__all__ = ["flags"]


def flags(grounds: Grounds, settings: Settings) -> tuple[Flag, ...]:
    """The flags of an exam, gravest first, in the catalogue's order."""
    severities: tuple[Severity, ...] = ("vet today", "check", "note")
    codes = list(CATALOGUE)
    found = [
        Flag(code, CATALOGUE[code].severity, *(text.format(**values) for text in _texts(code)))
        for code, values in _found(grounds, settings)
    ]
    return tuple(sorted(found, key=lambda flag: (severities.index(flag.severity), codes.index(flag.code), flag.reason)))


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
