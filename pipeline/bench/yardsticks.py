"""Published results to stand beside ours: of people who counted with ultrasound (``configs/yardsticks.toml``), and of
networks that outlined ovals (``configs/oval_yardsticks.toml``).
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from pydantic import BaseModel, ConfigDict, Field

from configs.reading import config_path, read_toml

__all__ = ["Yardstick", "load_oval_yardsticks", "load_yardsticks", "oval_yardstick_lines", "yardstick_lines"]

_WIDTH = 120
_HEADING = (
    "Published counts of people, for orientation: other animals, other truth. Nothing here says that a program "
    "measured on simulated animals is better or worse than they are."
)


class Yardstick(BaseModel):
    """One published result. truth : what counts were compared with;  caveat : why it is no measure of ours"""

    model_config = ConfigDict(frozen=True, extra="forbid")

    who: str = Field(min_length=1)
    result: str = Field(min_length=1)
    truth: str = Field(min_length=1)
    source: str = Field(min_length=1)
    caveat: str = Field(min_length=1)


class _Yardsticks(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    yardstick: tuple[Yardstick, ...]


def load_yardsticks() -> tuple[Yardstick, ...]:
    """Counts of people, in the order of the file. Raises ConfigError if it is damaged."""
    return _load("yardsticks.toml")


def load_oval_yardsticks() -> tuple[Yardstick, ...]:
    """Outlines of ovals by other networks, likewise."""
    return _load("oval_yardsticks.toml")


def yardstick_lines() -> Iterator[str]:
    """Counts of people as text, each with its source and caveat."""
    yield from textwrap.wrap(_HEADING, _WIDTH)
    yield from _lines(load_yardsticks())


def oval_yardstick_lines() -> Iterator[str]:
    """Outlines of ovals likewise."""
    yield "Published outlines of ovals, for orientation:"
    yield from _lines(load_oval_yardsticks())


def _load(file: str) -> tuple[Yardstick, ...]:
    return read_toml(config_path(file), _Yardsticks).yardstick


def _lines(yardsticks: Sequence[Yardstick]) -> Iterator[str]:
    for each in yardsticks:
        text = f"{each.who}: {each.result}. Truth: {each.truth}. {each.source}. But: {each.caveat}."
        # DOIs must stay whole.
        yield from textwrap.wrap(
            text, _WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False, break_long_words=False
        )
