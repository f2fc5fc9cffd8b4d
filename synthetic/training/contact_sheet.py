"""Contact sheets: many pictures side by side, so that a person can compare training pictures with recorded ones.

Pictures are square and grey, as the network sees them. Sheets are colour pictures, (H, W, 3) uint8 in the order red,
green, blue.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torchvision.utils import make_grid

from models.atomic_write import partial_file
from models.ellipse import outline
from models.stages import STAGES
from models.targets import Labels, Role
from synthetic.errors import PhantomError
from synthetic.training.dataset import PhantomPictures, StreamSettings

__all__ = ["SheetSection", "contact_sheet", "draw_outlines", "shuffle_together", "training_pictures", "write_sheet"]

Pictures = NDArray[np.uint8]

# Red, green, blue of follicle, thin-shelled, calcified; and of ignored objects.
_COLOURS = ((255, 190, 70), (90, 200, 255), (120, 230, 120))
_IGNORED = (150, 150, 150)
_PAPER, _INK = 24, (225, 225, 225)  # background and text
_GAP_PX, _TEXT_LINE_PX = 4, 34  # between pictures; height of a line of text


@dataclass(frozen=True)
class SheetSection:
    """Pictures under one heading. pictures : (N, S, S) grey or (N, S, S, 3), uint8"""

    heading: str
    pictures: Pictures


def training_pictures(number: int, seed: int) -> tuple[Pictures, Labels]:
    """(N, 256, 256) uint8 pictures as `PhantomPictures` makes them for a network, with their labels.

    They show up to N animals. Raises PhantomError for a number below 1.
    """
    if number < 1:
        raise PhantomError(f"A contact sheet needs at least 1 picture, got {number}.")
    settings = StreamSettings(animals=number, batch=number, processes=1)
    pictures, labels = PhantomPictures(settings, seed, torch.device("cpu")).batch(0)
    return (pictures[:, 0] * 255).round().to(torch.uint8).numpy(), labels


def draw_outlines(pictures: Pictures, labels: Labels) -> Pictures:
    """(N, S, S) pictures -> (N, S, S, 3) with the outline of every object in the colour of its stage; ignored objects
    are grey.
    """
    result = np.repeat(pictures[..., None], 3, axis=-1)
    for row, picture in enumerate(result):
        for index in torch.nonzero(labels.role[row] != Role.EMPTY)[:, 0].tolist():
            is_target = int(labels.role[row, index]) == Role.TARGET
            colour = _COLOURS[int(labels.stage[row, index])] if is_target else _IGNORED
            corners = outline(labels.ellipses[row, index].double().numpy())[0]
            # Sixteenths of a pixel: shift=4.
            cv2.polylines(picture, [(corners * 16).round().astype(np.int32)], True, colour, 1, cv2.LINE_AA, shift=4)
    return result


def shuffle_together(
    phantoms: Pictures, recorded: Pictures, names: Sequence[str], seed: int
) -> tuple[Pictures, list[str]]:
    """Both kinds in random order and unmarked, and for each picture "phantom" or its name."""
    order = np.random.default_rng([seed, 1]).permutation(len(phantoms) + len(recorded))
    kinds = ["phantom"] * len(phantoms) + list(names)
    return np.concatenate([phantoms, recorded])[order], [kinds[index] for index in order]


def contact_sheet(title: str, sections: Sequence[SheetSection], *, columns: int = 8) -> Pictures:
    """A title and the sections below each other; a legend is added if there are colours."""
    width = max(_grid(block, columns).shape[1] for block in sections)
    parts = [_text(title, width, scale=0.8)]
    for block in sections:
        parts += [_text(block.heading, width, scale=0.6), _grid(block, columns)]
    if any(block.pictures.ndim == 4 for block in sections):
        parts.append(_legend(width))
    return np.concatenate([_padded(part, width) for part in parts])


def write_sheet(path: Path, sheet: Pictures) -> None:
    """Write the sheet as PNG. Raises PhantomError if that fails."""
    _, data = cv2.imencode(".png", cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with partial_file(path) as part:
            part.write_bytes(data.tobytes())
    except OSError as error:
        raise PhantomError(f"{path} cannot be written ({error.strerror or error}). Choose another file.") from error


def _grid(block: SheetSection, columns: int) -> Pictures:
    colour = block.pictures if block.pictures.ndim == 4 else np.repeat(block.pictures[..., None], 3, axis=-1)
    tiles = torch.from_numpy(colour).permute(0, 3, 1, 2)
    grid = make_grid(tiles, nrow=min(columns, len(tiles)), padding=_GAP_PX, pad_value=_PAPER)
    return np.ascontiguousarray(grid.permute(1, 2, 0).numpy())


def _text(words: str, width: int, *, scale: float) -> Pictures:
    strip = np.full((_TEXT_LINE_PX, width, 3), _PAPER, dtype=np.uint8)
    cv2.putText(strip, words, (2 * _GAP_PX, _TEXT_LINE_PX - 11), cv2.FONT_HERSHEY_SIMPLEX, scale, _INK, 1, cv2.LINE_AA)
    return strip


def _legend(width: int) -> Pictures:
    strip = np.full((_TEXT_LINE_PX, width, 3), _PAPER, dtype=np.uint8)
    x = 2 * _GAP_PX
    for word, colour in zip((*STAGES, "ignored"), (*_COLOURS, _IGNORED), strict=True):
        cv2.putText(strip, word, (x, _TEXT_LINE_PX - 11), cv2.FONT_HERSHEY_SIMPLEX, 0.6, colour, 1, cv2.LINE_AA)
        (length, _), _ = cv2.getTextSize(word, cv2.FONT_HERSHEY_SIMPLEX, 0.6, 1)
        x += length + 8 * _GAP_PX
    return strip


def _padded(part: Pictures, width: int) -> Pictures:
    return np.pad(part, ((0, 0), (0, width - part.shape[1]), (0, 0)), constant_values=_PAPER)
