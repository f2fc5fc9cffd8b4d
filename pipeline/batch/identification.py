"""Which recordings the files of a run are: their digests, computed side by side where clips are read."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future
from functools import partial

from pipeline.batch.refused_recordings import RefusedRecordings
from pipeline.batch.run_context import RunContext
from pipeline.batch.workers import BatchWorkers
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import RecordingIdentity, file_state
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.worker.job_pool import JobLostError, UnsuitableProcessError
from pipeline.worker.worker import JobKilledError

__all__ = ["CHANGED", "identify"]

CHANGED = "the file changed while it was read; the next run reads it again."


def identify(
    paths: Iterable[Location], context: RunContext, refused: RefusedRecordings
) -> dict[Location, RecordingIdentity | ClipError]:
    """The identity of each recording, by its bytes alone if its first picture may not be read, or why it has none."""
    identities: dict[Location, RecordingIdentity | ClipError] = {}
    computed: list[Location] = []
    distinct = dict.fromkeys(paths)
    for path in distinct:
        try:
            state = file_state(path)
        except ClipError as error:
            identities[path] = error
            continue
        known = None if context.known is None else context.known.identity(path, state)
        if known is not None:
            identities[path] = known
        else:
            computed.append(path)
            _Identification(path, state, context.workers, refused, identities).begin()
    context.workers.wait(lambda: len(identities) == len(distinct))
    for path in computed:
        if context.known is not None and isinstance(identity := identities[path], RecordingIdentity):
            context.known.compare(path, identity)
    return identities


class _Identification:
    """Of one recording: first the digest of its bytes, by which it may be known for harm, then that of its picture."""

    def __init__(
        self,
        path: Location,
        state: FileState,
        workers: BatchWorkers,
        refused: RefusedRecordings,
        identities: dict[Location, RecordingIdentity | ClipError],
    ) -> None:
        self._path = path
        self._state = state
        self._workers = workers
        self._refused = refused
        self._identities = identities

    def begin(self) -> None:
        self._workers.file_sha256(self._path, self._state, self._continue)

    def _continue(self, digest: Future[str | None]) -> None:
        try:
            sha256 = str(digest.result())
        except (JobLostError, UnsuitableProcessError):
            self._identities[self._path] = ClipError(f"{self._path.name}: {CHANGED}")
        except ClipError as error:
            self._identities[self._path] = error
        except JobKilledError as error:
            # Nothing is known of its content yet by which it could be left alone.
            reason = f"{self._path.name}: reading it {error}; the next run tries again."
            self._identities[self._path] = ClipError(reason)
        else:
            if self._refused.known(sha256):
                self._end(sha256, sha256)
            else:
                on_end = partial(self._end_with_picture, sha256)
                self._workers.first_picture_sha256(self._path, self._state, on_end)

    def _end_with_picture(self, sha256: str, picture: Future[str | None]) -> None:
        try:
            first = self._refused.attempt(sha256, picture.result)
        except ClipError as error:
            self._identities[self._path] = error
            return
        self._end(sha256, first if isinstance(first, str) else sha256)

    def _end(self, sha256: str, first_picture_sha256: str) -> None:
        self._identities[self._path] = RecordingIdentity(self._state, sha256, first_picture_sha256)
