"""Published results of people who counted with ultrasound, to stand beside ours: ``configs/yardsticks.toml``."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict, Field

from configs.reading import config_path, read_toml

__all__ = ["Yardstick", "load_yardsticks", "yardstick_lines"]

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
    """All of them, in the order of the file. Raises ConfigError if it is damaged."""
    return read_toml(config_path("yardsticks.toml"), _Yardsticks).yardstick


def yardstick_lines() -> Iterator[str]:
    """All of them as text, each with its source and caveat."""
    yield from textwrap.wrap(_HEADING, _WIDTH)
    for each in load_yardsticks():
        text = f"{each.who}: {each.result}. Truth: {each.truth}. {each.source}. But: {each.caveat}."
        # DOIs must stay whole.
        yield from textwrap.wrap(
            text, _WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False, break_long_words=False
        )
