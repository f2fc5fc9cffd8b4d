"""A flag that an exam raises: a code of the catalogue, and what was found in this exam."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from pipeline.estimate.flags.catalogue import FLAG_DEFINITIONS
from pipeline.estimate.results import Flag

__all__ = ["RaisedFlag", "RaisedFlags"]


@dataclass(frozen=True)
class RaisedFlag:
    """code : of the catalogue;  values : one for each placeholder of its texts, and the ``sources`` if there are any
    eggs : numbers of those that it is about

    Raises ValueError if the code is not in the catalogue, or if the values are not exactly those of its placeholders.
    """

    code: str
    values: Mapping[str, object]
    eggs: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        definition = FLAG_DEFINITIONS.get(self.code)
        if definition is None:
            raise ValueError(f'There is no flag "{self.code}" in the catalogue.')
        if self.values.keys() - {"sources"} != definition.placeholders:
            raise ValueError(
                f'The texts of the flag "{self.code}" need values for {sorted(definition.placeholders)}, '
                f"not for {sorted(self.values)}."
            )

    @classmethod
    def of(cls, code: str, **values: object) -> RaisedFlag:
        return cls(code, values)

    def about(self, eggs: Iterable[int]) -> RaisedFlag:
        """The same flag, about these eggs."""
        return replace(self, eggs=tuple(eggs))

    @property
    def flag(self) -> Flag:
        """With its severity and its texts filled in."""
        definition = FLAG_DEFINITIONS[self.code]
        return Flag(
            code=self.code,
            severity=definition.severity,
            reason=definition.reason_template.format(**self.values),
            advice=definition.advice_template.format(**self.values),
            rescan=definition.rescan_template.format(**self.values),
            eggs=self.eggs,
            sources=str(self.values.get("sources", "")),
        )


RaisedFlags = Iterator[RaisedFlag]
