"""Recordings that may still be on their way from the scanner are waited for, until nothing about them changes."""

from __future__ import annotations

import time
from collections.abc import Callable

from pipeline.ingest.recording_identity import file_state
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.settings_tables import RunSettings

__all__ = ["Settling"]


class Settling:
    """The waiting of one run. All recordings together are waited for as long as the settings say.

    sleep : waits some seconds
    """

    def __init__(self, settings: RunSettings, sleep: Callable[[float], None] = time.sleep) -> None:
        self._settle_seconds = settings.settle_seconds
        self._left_seconds = settings.settle_wait_seconds
        self._sleep = sleep
        self._settled: set[tuple[Location, FileState]] = set()

    def is_settled(self, path: Location, state: FileState) -> bool:
        """Whether the recording last changed long enough ago, or was seen unchanged for as long."""
        age_seconds = abs(time.time() - state.modified_ns / 1e9)
        return age_seconds >= self._settle_seconds or (path, state) in self._settled

    def wait(self, path: Location, state: FileState) -> bool:
        """Wait until it is settled; False if the time of this run is used up before. Raises ClipError if it is gone.

        Clocks of scanners and network drives differ, so what counts is that nothing changes while this waits.
        """
        while not self.is_settled(path, state):
            if self._left_seconds < self._settle_seconds:
                return False
            self._sleep(self._settle_seconds)
            self._left_seconds -= self._settle_seconds
            before, state = state, file_state(path)
            if state == before:
                self._settled.add((path, state))
        return True
