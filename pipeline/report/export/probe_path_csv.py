"""``CLIP.path.csv``: where along its way the hand was in each frame of one clip.

``frame`` from 0; ``along``, the place along the sweep, that of the first frame 0, in lengths over which the machine's
speckle ceases to be alike (about 4 mm on phantoms, differently by machine): it falls where the hand goes back; ``x_px``
and ``y_px``, by how much tissue was seen to move in the plane since the first frame. Frames that were left out, or that
repeat the one before, have no line. There is no such file where nobody asked for it (``track.export_probe_path``) or the clip
cannot tell.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.scan.clip_scan import ClipScan

__all__ = ["probe_path_lines"]


def probe_path_lines(scan: ClipScan) -> Iterator[bytes]:
    """A headline, and a line for each frame whose place is known; nothing of a clip without a path."""
    path = scan.tracks.path
    if path is None:
        return
    yield b"frame,along,x_px,y_px\n"
    places = path.positions([turn for turn in scan.tracks.turns or () if turn.is_likely])
    for frame, along, (x, y) in zip(
        path.frames.tolist(), places.tolist(), path.in_plane_shift_px.tolist(), strict=True
    ):
        yield f"{frame},{along:.3f},{x:.2f},{y:.2f}\n".encode()
