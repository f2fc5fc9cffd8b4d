"""``CLIP.path.csv``: the position of the probe along its sweep in each frame of one clip.

Columns: ``frame``, from 0; ``along``, the position along the sweep, 0 in the first frame, in speckle correlation
lengths (about 4 mm on phantoms, different for each machine), which decreases where the probe moves back; ``x_px`` and
``y_px``, how far the tissue has moved in the scan plane since the first frame. Frames that were left out, or that
repeat the one before, have no line. The file exists only if ``track.export_probe_path`` is set and the clip shows the
movement.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.scan.clip_scan import ClipScan

__all__ = ["probe_path_lines"]


def probe_path_lines(scan: ClipScan) -> Iterator[bytes]:
    """A header, and a line for each frame whose position is known. Nothing for a clip without a path."""
    path = scan.tracks.path
    if path is None:
        return
    yield b"frame,along,x_px,y_px\n"
    positions = path.positions([turn for turn in scan.tracks.turns or () if turn.is_likely])
    for frame, along, (x, y) in zip(
        path.frames.tolist(), positions.tolist(), path.in_plane_shift_px.tolist(), strict=True
    ):
        yield f"{frame},{along:.3f},{x:.2f},{y:.2f}\n".encode()
