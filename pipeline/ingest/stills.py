"""Still pictures: files with one picture or several pages, and folders of them in natural order."""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Callable, Iterator
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import chroma_from_rgb
from pipeline.ingest.coded_picture import MAX_SCANS, read_coded_picture
from pipeline.ingest.file_types import is_still
from pipeline.ingest.frame import Chroma, ClipError, Picture, StreamBrokenError, unreadable
from pipeline.locations.location import Location
from pipeline.locations.object_file import raise_storage_failure
from pipeline.locations.storage_errors import StorageError
from pipeline.settings_tables import IngestSettings

__all__ = ["list_stills", "read_stills"]

log = logging.getLogger(__name__)

ToEightBits = Callable[[NDArray[Any]], NDArray[np.uint8]]
# (H, W) brightness, uint8 or any other number type, and the chroma.
Page = tuple[NDArray[Any], Chroma | None]

JPEG_FORMATS = frozenset({"JPEG", "MPO"})  # MPO: several JPEG pictures, as stereo cameras write
GREY_MODES = frozenset({"1", "L", "LA", "La"})
PHOTOMETRIC_TAG, WHITE_IS_ZERO = 262, 0  # TIFF 6.0, section 8


def read_stills(path: Location, settings: IngestSettings) -> Iterator[Picture]:
    """The pictures of a file, or of a folder of files in natural order. They have no times, and one is held at a time.

    Pillow reads them, because it gives the size before it decodes and reports truncated files; OpenCV fills the
    missing part with grey. All pages of a TIFF are frames. Of other files with several pictures (thumbnails, depth
    maps) only the first is used.

    Raises ClipError if no picture can be read, StreamBrokenError if a later one cannot, and StorageError where the
    storage fails.
    """
    files = list_stills(path) if path.is_dir() else [path]
    if not files:
        raise ClipError(f"{path.name}: the folder holds no pictures; copy them again.")
    to_eight_bits: ToEightBits | None = None
    for number, file in enumerate(files):
        try:
            for values, chroma in _pages(file, settings):
                # All pictures of a clip are scaled alike, so that the brightness does not jump at a brighter one.
                to_eight_bits = to_eight_bits or _to_eight_bits(values)
                yield Picture(None, to_eight_bits(values), chroma)
        except ClipError as error:
            if number == 0:
                raise
            raise StreamBrokenError(str(error).rstrip(".")) from error


def list_stills(folder: Location) -> list[Location]:
    """The still pictures in a folder in natural order: 2 before 10. Hidden files are left out.

    Raises ClipError if the folder cannot be read.
    """
    try:
        files = [file for file in folder.iterdir() if is_still(file.name) and not file.name.startswith(".")]
    except OSError as error:
        raise unreadable(folder.name, error) from error
    return sorted(files, key=lambda file: _natural_key(file.name))


def _natural_key(name: str) -> tuple[list[tuple[int, str]], str]:
    """A sort key that compares runs of digits as numbers. Case and leading zeros matter only between equal names."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name)
    # Without leading zeros, digits compare as text, the shorter first. This works for numbers of any length.
    digits = [part.lstrip("0") if part[0].isdigit() else None for part in parts]
    return [(-1, p.casefold()) if d is None else (len(d), d) for p, d in zip(parts, digits, strict=True)], name


def _pages(path: Location, settings: IngestSettings) -> Iterator[Page]:
    """The pages of one file, upright."""
    from PIL import Image

    page = 0
    try:
        with path.open("rb") as file:
            try:
                for values in _read_pages(file, path.name, settings):
                    yield values
                    page += 1
            except Exception:
                raise_storage_failure(file)
                raise
    except Image.DecompressionBombError:
        raise ClipError(f"{path.name}: the picture is far too large; export it in a smaller size.") from None
    except (ClipError, StorageError):
        raise
    except MemoryError as error:
        raise _unreadable(path.name, page, "it needs more memory than there is") from error
    except Exception as error:
        # Pillow may raise any exception on damaged files.
        log.debug("%s: page %d: %s", path.name, page + 1, error, exc_info=True)
        detail = " ".join(str(error).split()) or type(error).__name__
        raise _unreadable(path.name, page, detail) from error


def _read_pages(file: BinaryIO, name: str, settings: IngestSettings) -> Iterator[Page]:
    """Raises any exception on damaged files."""
    from PIL import Image

    with warnings.catch_warnings():
        # Pillow warns of large pictures, but the limit in the settings decides.
        warnings.simplefilter("ignore")
        image = Image.open(file)
    with image:
        if image.format in JPEG_FORMATS:
            _check_jpeg(file, name, image.size)
        page = 0
        while page == 0 or (image.format == "TIFF" and _seek_page(image, page)):
            yield _read_page(image, name, settings)
            page += 1


def _check_jpeg(file: BinaryIO, name: str, size: tuple[int, int]) -> None:
    """Raises ClipError if decoding would take longer, or more memory, than the picture's size tells. size : px"""
    position = file.tell()
    file.seek(0)
    coded = read_coded_picture(file.read())
    file.seek(position)
    if coded is None or (coded.columns, coded.rows) != size:
        raise ClipError(f"{name}: the JPEG does not declare one size; export the picture again.")
    if coded.scans > MAX_SCANS:
        raise ClipError(
            f"{name}: the JPEG is stored in {coded.scans} scans, more than {MAX_SCANS}; export the picture again."
        )


def _unreadable(name: str, page: int, detail: str) -> Exception:
    if page:
        return StreamBrokenError(f"page {page + 1} of {name} cannot be read ({detail})")
    return ClipError(f"{name}: no picture that can be read, or cut short ({detail}); copy it again.")


def _seek_page(image: Any, page: int) -> bool:
    """Moves to a page; False if there is none."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image.seek(page)
    except EOFError:
        return False
    return True


def _read_page(image: Any, name: str, settings: IngestSettings) -> Page:
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
        return np.asarray(np.invert(values)), None  # Pillow inverts pictures of eight bits only
    return values, None


def _to_eight_bits(first: NDArray[Any]) -> ToEightBits:
    """The conversion to eight bits for all pictures of a clip, chosen from the first one.

    Sixteen bits may hold the eight, ten or twelve bits of a scanner; the smallest number that fits the first picture
    is taken. Floating point values up to 1 are shares of white.
    """
    if first.dtype == np.uint8:
        return lambda values: _scaled_to_eight_bits(values, 1.0)
    brightest = float(np.nanmax(first, initial=0.0))
    if first.dtype.kind == "f" and brightest <= 1.0:
        return lambda values: _scaled_to_eight_bits(values, 255.0)
    bits = next((bits for bits in (8, 10, 12, 16) if brightest < 2**bits), 32)
    return lambda values: _scaled_to_eight_bits(values, 2.0 ** (8 - bits))


def _scaled_to_eight_bits(values: NDArray[Any], factor: float) -> NDArray[np.uint8]:
    """``values`` times ``factor``, clipped to 0 to 255."""
    if values.dtype == np.uint8:
        return values
    return np.clip(np.nan_to_num(values.astype(np.float64)) * factor, 0, 255).astype(np.uint8)
