"""A morning's work in a few lines: who needs the vet, and who needs a new scan."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["NOTHING_TO_DO", "Task", "ToDo"]


@dataclass(frozen=True)
class Task:
    """One animal that needs somebody. folder : of her exam;  what : the most urgent reason, as a sentence"""

    animal: str
    folder: str
    what: str


@dataclass(frozen=True)
class ToDo:
    """vet : animals for the vet today;  rescan : animals to be scanned again;  check : how many others to check"""

    vet: tuple[Task, ...] = ()
    rescan: tuple[Task, ...] = ()
    check: int = 0


NOTHING_TO_DO = ToDo()
