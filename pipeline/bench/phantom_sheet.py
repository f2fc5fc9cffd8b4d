"""A contact sheet of phantoms, either with their outlines or next to frames of real recordings."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.bench.recording_samples import sample_recording_frames
from pipeline.settings_tables import IngestSettings
from pipeline.store.atomic_write import write_atomically
from synthetic.training.contact_sheet import (
    SheetSection,
    contact_sheet,
    draw_outlines,
    shuffle_together,
    training_pictures,
    write_sheet,
)

__all__ = ["write_contact_sheet"]

_COLUMNS, _ROWS = 8, 4


def write_contact_sheet(path: Path, *, seed: int, recordings: Path | None, mix: bool, settings: IngestSettings) -> None:
    """Write a contact sheet as PNG.

    recordings : None for 32 training pictures without and with their outlines; a folder for 32 training pictures and 32
    frames of the recordings in it, in two blocks
    mix : 16 of each in one unmarked block; a text file says which is which
    """
    number = _COLUMNS * _ROWS
    if recordings is None:
        pictures, labels = training_pictures(number, seed)
        with_outlines = draw_outlines(pictures, labels)
        blocks = [SheetSection("as the network sees them", pictures), SheetSection("with their labels", with_outlines)]
        write_sheet(path, contact_sheet(f"Phantoms, seed {seed}", blocks, columns=_COLUMNS))
        return
    recorded, names = sample_recording_frames(
        recordings, number // 2 if mix else number, np.random.default_rng(seed), settings
    )
    pictures, _ = training_pictures(number // 2 if mix else number, seed)
    if not mix:
        blocks = [SheetSection("phantoms", pictures), SheetSection(f"recordings in {recordings.name}", recorded)]
        write_sheet(path, contact_sheet(f"Phantoms, seed {seed}, and recordings", blocks, columns=_COLUMNS))
        return
    both, kinds = shuffle_together(pictures, recorded, names, seed)
    title = f"{len(pictures)} phantoms, seed {seed}, and {len(recorded)} frames of recordings"
    write_sheet(path, contact_sheet(title, [SheetSection("which is which?", both)], columns=_COLUMNS))
    lines = [f"row {n // _COLUMNS + 1}, column {n % _COLUMNS + 1}: {kind}\n" for n, kind in enumerate(kinds)]
    write_atomically(path.with_suffix(".txt"), ["".join(lines).encode()])
