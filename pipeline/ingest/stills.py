"""Still pictures: files of one picture or of several pages, and folders of them in natural order."""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import chroma_from_rgb
from pipeline.ingest.file_types import is_still
from pipeline.ingest.frame import Chroma, ClipError, Picture, StreamBrokenError
from pipeline.settings import IngestSettings

__all__ = ["list_stills", "read_stills"]

log = logging.getLogger(__name__)

ToEightBits = Callable[[NDArray[Any]], NDArray[np.uint8]]
# (H, W) uint8, or any type of number that stands for brightness, and the colours.
Page = tuple[NDArray[Any], Chroma | None]

GREY_MODES = frozenset({"1", "L", "LA", "La"})
PHOTOMETRIC_TAG, WHITE_IS_ZERO = 262, 0  # TIFF 6.0, section 8


def read_stills(path: Path, settings: IngestSettings) -> Iterator[Picture]:
    """The pictures of a file, or of a folder of files in natural order; without times, one held at a time.

    Read by Pillow, which tells the size before it decodes and owns up to a truncated file, where OpenCV
    fills the rest with grey. Of a TIFF all pages are frames; of other files with several pictures (thumbnails,
    depth maps) the first one is.

    Raises ClipError if not one picture can be read, and StreamBrokenError at a later one that cannot.
    """
    files = list_stills(path) if path.is_dir() else [path]
    if not files:
        raise ClipError(f"{path.name}: the folder holds no pictures; copy them again.")
    to_eight_bits: ToEightBits | None = None
    for number, file in enumerate(files):
        try:
            for values, colours in _pages(file, settings):
                # One stretch for all pictures of a clip, lest its brightness leap where a brighter one begins.
                to_eight_bits = to_eight_bits or _to_eight_bits(values)
                yield Picture(None, to_eight_bits(values), colours)
        except ClipError as error:
            if number == 0:
                raise
            raise StreamBrokenError(str(error).rstrip(".")) from error


def list_stills(folder: Path) -> list[Path]:
    """The pictures in a folder in natural order: 2 before 10. Hidden files are passed over.

    Raises ClipError if the folder cannot be read.
    """
    try:
        files = [file for file in folder.iterdir() if is_still(file.name) and not file.name.startswith(".")]
    except OSError as error:
        raise ClipError(f"{folder.name}: cannot be opened: {error.strerror or error}.") from error
    return sorted(files, key=lambda file: _natural(file.name))


def _natural(name: str) -> tuple[list[tuple[int, str]], str]:
    """A key under which runs of digits count as numbers, and case and leading zeros only where nothing else differs."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name)
    # Digits are compared as text, the shorter first, once the zeros in front are gone: no number is too long for that.
    digits = [part.lstrip("0") if part[0].isdigit() else None for part in parts]
    return [(-1, p.casefold()) if d is None else (len(d), d) for p, d in zip(parts, digits, strict=True)], name


def _pages(path: Path, settings: IngestSettings) -> Iterator[Page]:
    """Pages of one file, upright."""
    from PIL import Image

    page = 0
    try:
        with warnings.catch_warnings():
            # Pillow warns of large pictures; the settings' bound decides here.
            warnings.simplefilter("ignore")
            image = Image.open(path)
        with image:
            while True:
                yield _page(image, path.name, settings)
                page += 1
                if image.format != "TIFF" or not _turn_to(image, page):
                    return
    except Image.DecompressionBombError:
        raise ClipError(f"{path.name}: the picture is far too large; export it in a smaller size.") from None
    except ClipError:
        raise
    except MemoryError as error:
        raise _unreadable(path.name, page, "it asks for more memory than there is") from error
    except Exception as error:
        # Damaged files make Pillow stumble over whatever comes next.
        log.debug("%s: page %d: %s", path.name, page + 1, error, exc_info=True)
        told = " ".join(str(error).split()) or type(error).__name__
        raise _unreadable(path.name, page, told) from error


def _unreadable(name: str, page: int, told: str) -> Exception:
    if page:
        return StreamBrokenError(f"page {page + 1} of {name} cannot be read ({told})")
    return ClipError(f"{name}: no picture that can be read, or cut short ({told}); copy it again.")


def _turn_to(image: Any, page: int) -> bool:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image.seek(page)
    except EOFError:
        return False
    return True


def _page(image: Any, name: str, settings: IngestSettings) -> Page:
    from PIL import ImageOps

    if max(image.size) > settings.maximum_side_px:
        raise ClipError(
            f"{name}: a picture of {image.width} x {image.height} pixels, more than "
            f"{settings.maximum_side_px} a side; export it in a smaller size."
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        upright = ImageOps.exif_transpose(image)
    if not upright.mode.startswith(("I", "F")):
        grey = np.asarray(upright.convert("L"), dtype=np.uint8)
        is_grey = upright.mode in GREY_MODES
        return grey, None if is_grey else chroma_from_rgb(np.asarray(upright.convert("RGB"), np.uint8))
    values = np.asarray(upright)
    tags = getattr(image, "tag_v2", {})
    if upright.mode.startswith("I;16") and tags.get(PHOTOMETRIC_TAG) == WHITE_IS_ZERO:
        return np.asarray(np.invert(values)), None  # Pillow does so by itself with eight bits only
    return values, None


def _to_eight_bits(first: NDArray[Any]) -> ToEightBits:
    """How the pictures of a clip become eight bits, told from the first one.

    Sixteen bits may hold the eight, ten or twelve that a scanner has; the fewest that hold the first picture are
    taken. Floating point up to 1 counts as a share of white.
    """
    if first.dtype == np.uint8:
        return lambda values: _clipped(values, 1.0)
    brightest = float(np.nanmax(first, initial=0.0))
    if first.dtype.kind == "f" and brightest <= 1.0:
        return lambda values: _clipped(values, 255.0)
    bits = next((bits for bits in (8, 10, 12, 16) if brightest < 2**bits), 32)
    return lambda values: _clipped(values, 2.0 ** (8 - bits))


def _clipped(values: NDArray[Any], factor: float) -> NDArray[np.uint8]:
    if values.dtype == np.uint8:
        return values
    return np.clip(np.nan_to_num(values.astype(np.float64)) * factor, 0, 255).astype(np.uint8)
