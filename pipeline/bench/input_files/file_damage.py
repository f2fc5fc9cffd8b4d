"""How files come to harm: bits that flip, ends that are missing, headers that lie."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["damage_content"]

DamageFunction = Callable[[bytearray, bytes, np.random.Generator], None]

# Where containers keep their sizes, counts and offsets.
HEADER_BYTES = 600
EXTREME_VALUES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 100_000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


def damage_content(content: bytes, other: bytes, rng: np.random.Generator) -> tuple[bytes, str]:
    """The content after one to three kinds of harm, and their names. other : a file to take pieces from"""
    harmed = bytearray(content)
    names = [str(name) for name in rng.choice(list(DAMAGE_KINDS), size=rng.integers(1, 4), replace=False)]
    for name in names:
        if harmed:
            DAMAGE_KINDS[name](harmed, other, rng)
    return bytes(harmed), ", ".join(names)


def _place(harmed: bytearray, rng: np.random.Generator) -> int:
    """Half of the harm falls on the head or the tail, where most of the meaning is."""
    length = len(harmed)
    where = int(rng.integers(4))
    if where == 0:
        return int(rng.integers(min(HEADER_BYTES, length)))
    if where == 1:
        return length - 1 - int(rng.integers(min(HEADER_BYTES, length)))
    return int(rng.integers(length))


def _stretch(harmed: bytearray, rng: np.random.Generator) -> slice:
    begin = _place(harmed, rng)
    return slice(begin, begin + int(2 ** rng.uniform(0, np.log2(1 + len(harmed) / 4))))


def _bits(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 17))):
        harmed[_place(harmed, rng)] ^= 1 << int(rng.integers(8))


def _bytes(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    where = _stretch(harmed, rng)
    harmed[where] = rng.bytes(len(harmed[where]))


def _numbers(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 5))):
        begin, width = _place(harmed, rng), int(rng.choice([1, 2, 4]))
        value = int(rng.choice(EXTREME_VALUES)) & (256**width - 1)
        written = value.to_bytes(width, "big" if rng.integers(2) else "little")
        harmed[begin : begin + width] = written[: len(harmed) - begin]


def _cut(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    del harmed[int(rng.integers(len(harmed))) :]


def _zeros(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    where = _stretch(harmed, rng)
    harmed[where] = bytes(len(harmed[where]))


def _loss(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    del harmed[_stretch(harmed, rng)]


def _repeat(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    piece = bytes(harmed[_stretch(harmed, rng)])
    place = _place(harmed, rng)
    harmed[place:place] = piece * int(rng.integers(1, 4))


def _graft(harmed: bytearray, other: bytes, rng: np.random.Generator) -> None:
    piece = bytes(bytearray(other)[_stretch(bytearray(other), rng)])
    place = _place(harmed, rng)
    harmed[place : place + len(piece)] = piece


DAMAGE_KINDS: dict[str, DamageFunction] = {
    "bits": _bits,
    "bytes": _bytes,
    "numbers": _numbers,
    "cut": _cut,
    "zeros": _zeros,
    "loss": _loss,
    "repeat": _repeat,
    "graft": _graft,
}
