"""Recordings that killed or outlasted the process that read them. They are left alone until somebody says otherwise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from pipeline.store.store import Store
from pipeline.worker.job_pool import JobLostError, UnsuitableProcessError
from pipeline.worker.worker import JobKilledError

__all__ = ["Refusal", "RefusedRecordings"]

Read = TypeVar("Read")


@dataclass(frozen=True)
class Refusal:
    """reason : a sentence for a technician, the same in every run"""

    reason: str


class RefusedRecordings:
    """Those of one output folder, known by the bytes of the recording: a changed file is another recording.

    retry : forget those of earlier runs when they are met
    """

    def __init__(self, store: Store, *, retry: bool) -> None:
        self._store = store
        self._retry = retry
        self._of_this_run: set[str] = set()

    def known(self, sha256: str) -> Refusal | None:
        """Why the recording is left alone; None if it may be read. sha256 : of the recording's bytes"""
        reason = self._store.refusal(sha256)
        if reason is not None and self._retry and sha256 not in self._of_this_run:
            self._store.delete_refusal(sha256)
            return None
        return None if reason is None else Refusal(reason)

    def remember(self, sha256: str, error: JobKilledError) -> Refusal:
        """Leave a recording alone from now on. error : what it did"""
        refusal = Refusal(
            f"reading it {error}, so it is not read again; export it anew, or try again with clutchlight batch "
            "--retry-refused."
        )
        self._store.save_refusal(sha256, refusal.reason)
        self._of_this_run.add(sha256)
        return refusal

    def attempt(self, sha256: str, read: Callable[[], Read]) -> Read | Refusal:
        """What ``read`` returns, unless the recording is known for harm, does harm now, or was not reached."""
        if refusal := self.known(sha256):
            return refusal
        try:
            return read()
        except JobKilledError as error:
            return self.remember(sha256, error)
        except (JobLostError, UnsuitableProcessError) as error:
            return Refusal(f"reading it failed: {error}; the next run tries again.")
