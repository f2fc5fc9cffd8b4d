"""A flag that an exam raises: a code of the catalogue, and what was found in this exam."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pipeline.estimate.flags.catalogue import FLAG_DEFINITIONS
from pipeline.estimate.results import Flag

__all__ = ["RaisedFlag", "RaisedFlags"]


@dataclass(frozen=True)
class RaisedFlag:
    """code : of the catalogue;  values : one for each placeholder of its texts

    Raises ValueError if the code is not in the catalogue, or if the values are not exactly those of its placeholders.
    """

    code: str
    values: Mapping[str, object]

    def __post_init__(self) -> None:
        definition = FLAG_DEFINITIONS.get(self.code)
        if definition is None:
            raise ValueError(f'There is no flag "{self.code}" in the catalogue.')
        if self.values.keys() != definition.placeholders:
            raise ValueError(
                f'The texts of the flag "{self.code}" need values for {sorted(definition.placeholders)}, '
                f"not for {sorted(self.values)}."
            )

    @classmethod
    def of(cls, code: str, **values: object) -> RaisedFlag:
        return cls(code, values)

    @property
    def flag(self) -> Flag:
        """With its severity and its texts filled in."""
        definition = FLAG_DEFINITIONS[self.code]
        return Flag(
            code=self.code,
            severity=definition.severity,
            reason=definition.reason_template.format(**self.values),
            advice=definition.advice_template.format(**self.values),
        )


RaisedFlags = Iterator[RaisedFlag]
