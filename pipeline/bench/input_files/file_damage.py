"""Damages the content of files: flipped bits, missing ends, wrong numbers in headers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["damage_content"]

DamageFunction = Callable[[bytearray, bytes, np.random.Generator], None]

# Containers have their sizes, counts and offsets in about as many bytes at their start or end. No source.
_HEADER_BYTES = 600
# Numbers at which fields of one, two or four bytes overflow, or become negative.
_EXTREME_VALUES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 100_000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


def damage_content(content: bytes, other: bytes, rng: np.random.Generator) -> tuple[bytes, str]:
    """Damage a file in one to three ways.

    Returns the damaged content and the names of the kinds of damage.

    other : content of another file, from which pieces are taken
    """
    data = bytearray(content)
    names = [str(name) for name in rng.choice(list(DAMAGE_KINDS), size=rng.integers(1, 4), replace=False)]
    for name in names:
        if data:
            DAMAGE_KINDS[name](data, other, rng)
    return bytes(data), ", ".join(names)


def _random_position(data: bytearray, rng: np.random.Generator) -> int:
    """Half of the positions are in the first or last bytes, which contain most of the structure."""
    length = len(data)
    part = int(rng.integers(4))
    if part == 0:
        return int(rng.integers(min(_HEADER_BYTES, length)))
    if part == 1:
        return length - 1 - int(rng.integers(min(_HEADER_BYTES, length)))
    return int(rng.integers(length))


def _random_slice(data: bytearray, rng: np.random.Generator) -> slice:
    """A slice of random length, up to a quarter of the data; short slices are more likely."""
    start = _random_position(data, rng)
    return slice(start, start + int(2 ** rng.uniform(0, np.log2(1 + len(data) / 4))))


def _flip_bits(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 17))):
        data[_random_position(data, rng)] ^= 1 << int(rng.integers(8))


def _replace_bytes(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    where = _random_slice(data, rng)
    data[where] = rng.bytes(len(data[where]))


def _write_extreme_numbers(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 5))):
        start, width = _random_position(data, rng), int(rng.choice([1, 2, 4]))
        value = int(rng.choice(_EXTREME_VALUES)) & (256**width - 1)
        written = value.to_bytes(width, "big" if rng.integers(2) else "little")
        data[start : start + width] = written[: len(data) - start]


def _cut_end(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    del data[int(rng.integers(len(data))) :]


def _overwrite_with_zeros(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    where = _random_slice(data, rng)
    data[where] = bytes(len(data[where]))


def _remove_slice(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    del data[_random_slice(data, rng)]


def _repeat_slice(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    piece = bytes(data[_random_slice(data, rng)])
    position = _random_position(data, rng)
    data[position:position] = piece * int(rng.integers(1, 4))


def _overwrite_from_other(data: bytearray, other: bytes, rng: np.random.Generator) -> None:
    piece = bytes(bytearray(other)[_random_slice(bytearray(other), rng)])
    position = _random_position(data, rng)
    data[position : position + len(piece)] = piece


DAMAGE_KINDS: dict[str, DamageFunction] = {
    "bits": _flip_bits,
    "bytes": _replace_bytes,
    "numbers": _write_extreme_numbers,
    "cut": _cut_end,
    "zeros": _overwrite_with_zeros,
    "loss": _remove_slice,
    "repeat": _repeat_slice,
    "graft": _overwrite_from_other,
}
