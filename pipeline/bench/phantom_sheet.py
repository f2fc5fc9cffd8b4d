"""A contact sheet of phantoms, alone with their outlines, or beside frames of real recordings."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.bench.recording_frames import recorded_pictures
from pipeline.settings import IngestSettings
from pipeline.store.whole_files import write_whole
from synthetic.training.contact_sheet import Block, contact_sheet, mixed, outlined, training_pictures, write_sheet

__all__ = ["write_contact_sheet"]

_COLUMNS, _ROWS = 8, 4


def write_contact_sheet(path: Path, *, seed: int, beside: Path | None, mix: bool, settings: IngestSettings) -> None:
    """A PNG of 32 training pictures without and with their outlines; with ``beside``, of as many frames from there in
    a block of their own; with ``mix``, of 16 of each in one block without a mark, and what each is in a text file.
    """
    number = _COLUMNS * _ROWS
    if beside is None:
        pictures, labels = training_pictures(number, seed)
        with_outlines = outlined(pictures, labels)
        blocks = [Block("as the network sees them", pictures), Block("with their labels", with_outlines)]
        write_sheet(path, contact_sheet(f"Phantoms, seed {seed}", blocks, columns=_COLUMNS))
        return
    recorded, names = recorded_pictures(beside, number // 2 if mix else number, np.random.default_rng(seed), settings)
    pictures, _ = training_pictures(number // 2 if mix else number, seed)
    if not mix:
        blocks = [Block("phantoms", pictures), Block(f"recordings in {beside.name}", recorded)]
        write_sheet(path, contact_sheet(f"Phantoms, seed {seed}, and recordings", blocks, columns=_COLUMNS))
        return
    both, kinds = mixed(pictures, recorded, names, seed)
    title = f"{len(pictures)} phantoms, seed {seed}, and {len(recorded)} frames of recordings"
    write_sheet(path, contact_sheet(title, [Block("which is which?", both)], columns=_COLUMNS))
    lines = [f"row {n // _COLUMNS + 1}, column {n % _COLUMNS + 1}: {kind}\n" for n, kind in enumerate(kinds)]
    write_whole(path.with_suffix(".txt"), ["".join(lines).encode()])
