"""Flips single bits of the two databases, as a disk may. Each is noticed, or everything is read as it was stored."""

from __future__ import annotations

import logging
import random
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.attacks.attack_report import AttackResult
from pipeline.attacks.sample_folder import keep, kept, said, say
from pipeline.people.schema import people_path
from pipeline.review.integrity import check_folder
from pipeline.store.sqlite_database import database_path

__all__ = ["flip_bits"]

log = logging.getLogger("pipeline.store")
UNNOTICED, UNEXPECTED = "unnoticed", "an unexpected error"
HARM = (UNNOTICED, UNEXPECTED)


def flip_bits(folder: Path, flips: int, seed: int) -> AttackResult:
    """Flip that many bits one by one, in turn in the store and in the people's file, and read and check both."""
    began, rng, out = time.monotonic(), random.Random(seed), folder / "out"
    out.mkdir(parents=True)
    keep(out)
    say(out)
    targets: list[tuple[Path, Callable[[Path], object]]] = [(database_path(out), kept), (people_path(out), said)]
    contents = {path: path.read_bytes() for path, _ in targets}
    stored = {path: read(out) for path, read in targets}
    usual = set(check_folder(out).problems)  # the folder has no sheets
    outcomes, examples = Counter[str](), []
    log.setLevel(logging.ERROR)  # each damaged row would be a warning
    for number in range(flips):
        path, read = targets[number % len(targets)]
        flipped = bytearray(contents[path])
        place, bit = rng.randrange(len(flipped)), rng.randrange(8)
        flipped[place] ^= 1 << bit
        path.write_bytes(flipped)
        outcome = _outcome(out, read, stored[path], usual)
        outcomes[outcome] += 1
        if outcome in HARM:
            examples.append(f"{path.name}, byte {place}, bit {bit}: {outcome}.")
        for side_file in out.glob(f"{path.name}-*"):
            side_file.unlink()
        path.write_bytes(contents[path])
    log.setLevel(logging.NOTSET)
    return AttackResult("bit flips", flips, outcomes, len(examples), time.monotonic() - began, {}, examples)


def _outcome(out: Path, read: Callable[[Path], object], stored: object, usual: set[str]) -> str:
    """How a flip ended. Checked before it is read, since reading as the program does may recover the file."""
    try:
        noticed = bool(set(check_folder(out).problems) - usual)
        found = read(out)
    except ClutchlightError:
        return "an error that names the file"
    except Exception:
        log.exception("unexpected")
        return UNEXPECTED
    if found == stored:
        return "noticed by the check" if noticed else "without effect"
    if isinstance(found, list) and isinstance(stored, list):
        is_absent = all(one is None or one == other for one, other in zip(found, stored, strict=True))
        return "counted as absent" if is_absent and noticed else UNNOTICED
    return UNNOTICED
