"""All attacks, one after the other."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.attacks.attack_report import AttackReport, AttackResult, Progress
from pipeline.attacks.bit_flips import flip_bits
from pipeline.attacks.forgeries import try_forgeries
from pipeline.attacks.hostile_files import try_media, try_side_files
from pipeline.attacks.kills import kill_nights, kill_writers
from pipeline.attacks.strangers import send_without_login
from pipeline.settings import Settings

__all__ = ["ATTACKS", "FULL", "QUICK", "AttackNumbers", "run_attacks"]


@dataclass(frozen=True)
class AttackNumbers:
    """How many of each. kills : of nights, and as many of writers"""

    kills: int
    media: int
    side_files: int
    flips: int
    requests: int
    parallel: int


FULL = AttackNumbers(kills=100, media=200, side_files=100, flips=200, requests=5000, parallel=1000)
QUICK = AttackNumbers(kills=1, media=2, side_files=21, flips=10, requests=32, parallel=32)
ATTACKS = ("nights", "writers", "media", "side-files", "bit-flips", "forgeries", "without-login")


def run_attacks(
    folder: Path,
    numbers: AttackNumbers,
    seed: int,
    settings: Settings,
    *,
    only: frozenset[str] = frozenset(ATTACKS),
    progress: Progress = lambda done, total: None,
) -> AttackReport:
    """Attack the program. only : some of `ATTACKS`;  progress : called with the steps of one attack and their total

    folder : files that did harm stay under it
    """
    n = numbers
    attacks: Mapping[str, Callable[[Path], AttackResult]] = {
        "nights": partial(kill_nights, kills=n.kills, seed=seed, progress=progress),
        "writers": partial(kill_writers, kills=n.kills, seed=seed, progress=progress),
        "media": partial(try_media, cases=n.media, seed=seed, settings=settings, progress=progress),
        "side-files": partial(try_side_files, cases=n.side_files, seed=seed, settings=settings, progress=progress),
        "bit-flips": partial(flip_bits, flips=n.flips, seed=seed),
        "forgeries": try_forgeries,
        "without-login": partial(send_without_login, requests=n.requests, parallel=n.parallel),
    }
    results = []
    for name, attack in attacks.items():
        if name in only:
            shutil.rmtree(folder / name, ignore_errors=True)
            results.append(attack(folder / name))
    return AttackReport(seed, results)
