"""What a clip of phantoms holds, in four parts, each of which more things can change than the one before.

- plan : the animal's bodies, her world, and the pose of the probe in each frame. Drawn in double precision, and rounded
  by far more than processors differ.
- truth : the outlines and labels of ``coco.json``. Computed in single precision, so some may differ in the last digit
  on another processor.
- pictures : before compression. With other vector instructions, one pixel in some thousands differs (measured on twelve
  frames: 0.02 %, by up to 8 greys).
- recording : the luma as decoded. H.264 decodes to the bit, but other builds of the encoder may write other bytes.

Brightness, the mean luma of 16 tiles, changes with none of these by more than a fraction of a grey.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from configs.reading import ConfigError

__all__ = ["ClipContents", "contents_csv", "read_clip_contents", "read_contents_csv"]

_TILES = 4  # in each direction
_PLAN_DIGITS = 2  # after the point, of mm and degrees


@dataclass(frozen=True)
class ClipContents:
    """clip : ANIMAL/FILE;  frames, outlines : numbers;  counted : outlines that are not ignored;  crossed : objects

    plan, truth, pictures, recording : SHA-256, see above;  brightness : (16,) greys of the tiles, row by row
    """

    clip: str
    frames: int
    outlines: int
    counted: int
    crossed: int
    plan: str
    truth: str
    pictures: str
    recording: str
    brightness: tuple[float, ...]


_COLUMNS = [field.name for field in fields(ClipContents)]


def read_clip_contents(folder: Path) -> Iterator[ClipContents]:
    """That of every clip of a folder written by ``clutchlight phantoms``, in the order of ``animals.json``.

    Raises OSError, KeyError, ValueError and av.error.FFmpegError if the folder is damaged.
    """
    animals = json.loads((folder / "animals.json").read_text(encoding="utf-8"))
    outlines = _outlines(json.loads((folder / "coco.json").read_text(encoding="utf-8")))
    for animal, entry in animals.items():
        for file, clip in entry["clips"].items():
            rows = outlines[animal, file]
            recording, brightness = _read_recording(folder / animal / entry["date"] / file)
            yield ClipContents(
                clip=f"{animal}/{file}",
                frames=clip["frames"],
                outlines=len(rows),
                counted=sum(row[2] == 0 for row in rows),
                crossed=len(clip["seen_ids"]),
                plan=_digest(_plan(entry, clip)),
                truth=_digest(rows),
                pictures=clip["pictures_sha256"],
                recording=recording,
                brightness=brightness,
            )


def contents_csv(contents: Iterable[ClipContents]) -> bytes:
    """A line for each clip, under the names of the columns."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for each in contents:
        values = {**vars(each), "brightness": " ".join(f"{grey:.1f}" for grey in each.brightness)}
        writer.writerow([values[name] for name in _COLUMNS])
    return text.getvalue().encode()


def read_contents_csv(path: Path) -> tuple[ClipContents, ...]:
    """What `contents_csv` wrote. Raises ConfigError if it is damaged."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return tuple(_clip_contents(row) for row in csv.DictReader(file))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ConfigError(f"{path} cannot be read ({error!r}). Install the program again.") from error


def _clip_contents(row: Mapping[str, str]) -> ClipContents:
    return ClipContents(
        clip=row["clip"],
        frames=int(row["frames"]),
        outlines=int(row["outlines"]),
        counted=int(row["counted"]),
        crossed=int(row["crossed"]),
        plan=row["plan"],
        truth=row["truth"],
        pictures=row["pictures"],
        recording=row["recording"],
        brightness=tuple(float(grey) for grey in row["brightness"].split()),
    )


def _outlines(coco: Mapping[str, Any]) -> dict[tuple[str, str], list[list[Any]]]:
    """Frame, identity, ignored, category and ellipse of each outline, by animal and clip."""
    images = {image["id"]: image for image in coco["images"]}
    rows: dict[tuple[str, str], list[list[Any]]] = defaultdict(list)
    for each in coco["annotations"]:
        image = images[each["image_id"]]
        row = [image["frame"], each["track_id"], each["iscrowd"], each["category_id"], each["ellipse"]]
        rows[image["animal"], image["clip"]].append(row)
    return rows


def _plan(entry: Mapping[str, Any], clip: Mapping[str, Any]) -> list[Any]:
    bodies = [[each["id"], each["stage"], _rounded(each["axes_mm"])] for each in entry["objects"]]
    moved = [clip["window"], clip["frames"], clip["turns"], _rounded(clip["mm_per_px"]), _rounded(clip["poses"])]
    return [entry["species"], entry["world"], bodies, moved]


def _rounded(values: object) -> Any:
    # Adding zero turns -0.0 into 0.0, which are written differently.
    return (np.round(np.array(values, dtype=np.float64), _PLAN_DIGITS) + 0.0).tolist()


def _digest(document: object) -> str:
    return hashlib.sha256(json.dumps(document, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _read_recording(path: Path) -> tuple[str, tuple[float, ...]]:
    """SHA-256 of the luma of all pictures, and the mean of each tile over all of them."""
    digest, sums, number = hashlib.sha256(), np.zeros((_TILES, _TILES)), 0
    with av.open(str(path)) as container:
        for picture in container.decode(video=0):
            luma = _luma(picture)
            digest.update(luma.tobytes())
            rows = np.array_split(luma, _TILES, axis=0)
            sums += [[tile.mean() for tile in np.array_split(row, _TILES, axis=1)] for row in rows]
            number += 1
    return digest.hexdigest(), tuple((sums / max(number, 1)).round(1).ravel().tolist())


def _luma(picture: Any) -> NDArray[np.uint8]:
    """(H, W) as decoded, without any conversion, which could differ between versions of the library."""
    plane = picture.planes[0]
    rows = np.frombuffer(plane, dtype=np.uint8).reshape(plane.height, plane.line_size)
    return rows[:, : plane.width]
