"""Exams that need no look, since nothing that their files depend on has changed since they were processed.

Of the recordings' folder, names, sizes and times are compared. A share of the recordings is also read in part each
night, so that all are within some days; ``batch --verify`` reads all of them in full.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import time
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from pathlib import Path

from models.printable import printable
from pipeline.batch.exam_basis import ExamBasis
from pipeline.batch.run_report import ExamReport, ExamStatus, NetworkInUse
from pipeline.exams.exam import Exam
from pipeline.exams.exam_folder import read_exam
from pipeline.exams.exam_search import ExamProblem
from pipeline.exams.folder_names import exam_folder
from pipeline.exams.folder_state import KnownExam, folder_state
from pipeline.ingest.recording_identity import RecordingIdentity, file_sample
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location, location
from pipeline.store.seen_folders import SeenExam, SeenFolders, SeenRecording

__all__ = ["MOVED", "KnownExams", "result_key"]

MOVED = "moved"  # in place of the state of a folder that is gone
NETWORK_FACT = "network"


@dataclass
class KnownExams:
    """What earlier runs left about the exams under one folder.

    basis_of : the basis of exams for a network;  results : `result_key` of each in the store
    verify : read every recording in full
    sample_days : days within which each recording is read in part once; 0 for never
    today : days since 1970, which decides whose turn it is
    network : the one in use; until it is loaded, the one expected, None if that is unknown
    differing : recordings whose bytes changed although size and time did not
    """

    seen: SeenFolders
    root: Location
    out: Path
    basis_of: Callable[[NetworkInUse], ExamBasis]
    results: frozenset[int]
    verify: bool = False
    sample_days: int = 0
    today: int = field(default_factory=lambda: int(time.time() // 86_400))
    network: NetworkInUse | None = None
    differing: list[ExamProblem] = field(default_factory=list)
    _basis: ExamBasis | None = None
    _states: dict[str, str | None] = field(default_factory=dict)

    def expect_network(self, key: str | None) -> None:
        """Expect the network that was in use when the key was the same, so that it need not be loaded to find out.

        key : of the weights, the engine and the machine; None if no network may be expected
        """
        expected = self.seen.fact(NETWORK_FACT)
        if key is not None and expected is not None:
            known_key, *network = json.loads(expected)
            if known_key == key:
                self._use(NetworkInUse(*network))

    def use_network(self, network: NetworkInUse) -> bool:
        """Use the network that was loaded. Whether exams were recognised for another one, or for none."""
        if network == self.network:
            return False
        self._use(network)
        return True

    def save_network(self, key: str | None) -> None:
        if key is not None and self.network is not None:
            self.seen.save_fact(NETWORK_FACT, json.dumps([key, *astuple(self.network)]))

    def _use(self, network: NetworkInUse) -> None:
        self.network = network
        self._basis = self.basis_of(network)

    def recall(self, folder: str) -> KnownExam | None:
        """The exam in a folder, if neither the folder nor anything else that its files depend on has changed."""
        place, state = self._place(folder), folder_state(folder)
        seen = None if self._basis is None or self.verify else self.seen.exam(place)
        if (
            seen is None
            or seen.state != state
            or self._basis is None
            or seen.basis != self._basis(seen.animal, seen.date)
            or result_key(seen.animal, seen.date, seen.fingerprint) not in self.results
            or seen.results_ns != _changed_ns(f"{self.out}/{seen.results}")
            or not self._sample_agrees(place)
        ):
            self._states[folder] = state
            return None
        return KnownExam(folder, seen.animal, dt.date.fromisoformat(seen.date), seen.clips, seen.results)

    def identity(self, path: Location, state: FileState) -> RecordingIdentity | None:
        """The digests of a recording that has not changed since they were computed."""
        for seen in self.seen.recordings_in(self._place(str(path.parent))) if not self.verify else ():
            if seen.file == path.name and seen.file_state == state and seen.sample == _sample(path, state):
                return RecordingIdentity(state, seen.sha256, seen.first_picture_sha256)
        return None

    def exams_to_look_at(
        self, new: Sequence[Exam], known: Sequence[KnownExam], identities: Mapping[Location, RecordingIdentity]
    ) -> list[Exam]:
        """Known exams that the new ones affect: those with the same recordings, and of the same animals all later ones
        and the one before, whose sheet links to the new one's.
        """
        first: dict[str, dt.date] = {}
        for exam in new:
            animal = exam.animal.casefold()
            first[animal] = min(exam.date, first.get(animal, exam.date))
        shared = {
            folder
            for identity in identities.values()
            for folder in self.seen.folders_with(identity.first_picture_sha256)
        }
        looked_at = {str(exam.folder) for exam in new}
        before: dict[str, dt.date] = {}
        for earlier in known:
            animal = earlier.animal.casefold()
            if earlier.date < first.get(animal, dt.date.min):
                before[animal] = max(earlier.date, before.get(animal, dt.date.min))
        affected = [
            exam.folder
            for exam in known
            if (
                exam.date > first.get(exam.animal.casefold(), dt.date.max)
                or exam.date == before.get(exam.animal.casefold())
                or self._place(exam.folder) in shared
            )
            and exam.folder not in looked_at
        ]
        for folder in affected:
            self._states[folder] = folder_state(folder)
        return [look for folder in affected if (look := read_exam(location(folder), self.root)) is not None]

    def remember(
        self, exam: Exam, report: ExamReport, fingerprint: str, identities: Mapping[Location, RecordingIdentity]
    ) -> None:
        """Keep what was found. An exam with any remark is looked at again in the next run."""
        folder = str(exam.folder)
        place, results = self._place(folder), str(exam_folder(exam))
        is_clean = report.status != ExamStatus.FAILED and all(clip.reason is None for clip in report.clips)
        state, date = self._states.get(folder) if is_clean else None, exam.date.isoformat()
        self.seen.save_exam(
            SeenExam(
                place,
                exam.animal,
                date,
                tuple(clip.file for clip in exam.clips),
                state or "",
                "" if self._basis is None else self._basis(exam.animal, date),
                fingerprint,
                results,
                _changed_ns(f"{self.out}/{results}"),
            ),
            [
                SeenRecording(
                    place,
                    clip.file,
                    identity.state.size_bytes,
                    identity.state.modified_ns,
                    identity.state.etag,
                    _sample(clip.path, identity.state),
                    identity.sha256,
                    identity.first_picture_sha256,
                )
                for clip in exam.clips
                if (identity := identities.get(clip.path)) is not None
            ],
        )

    def compare(self, path: Location, identity: RecordingIdentity) -> None:
        """Note a recording whose bytes changed although its size and time did not. For ``verify``"""
        for seen in self.seen.recordings_in(self._place(str(path.parent))):
            if seen.file == path.name and seen.file_state == identity.state and seen.sha256 != identity.sha256:
                reason = (
                    f"{printable(path)}: its content has changed, although its size and time have not. Check the disk, "
                    "and compare it with another copy; it was read again."
                )
                self.differing.append(ExamProblem(path, reason))

    def _sample_agrees(self, place: str) -> bool:
        """Whether it is not this exam's turn to be read in part, or its recordings are as they were."""
        if not self.sample_days or (zlib.crc32(place.encode()) + self.today) % self.sample_days:
            return True
        folder = self.root / place
        recordings = self.seen.recordings_in(place)
        return all(seen.sample == _sample(folder / seen.file, seen.file_state) for seen in recordings)

    def _place(self, folder: str) -> str:
        return folder.removeprefix(f"{self.root}/")


def result_key(animal: str, date: str, fingerprint: str) -> int:
    """Of 64 bits, since the texts themselves take 40 MB for 100,000 results."""
    return hash((animal, date, fingerprint))


def _sample(path: Location, state: FileState) -> str:
    """Of a recording on object storage "", since its tag shows whether it is the same, without reading anything."""
    return "" if state.etag else file_sample(path) or ""


def _changed_ns(folder: str) -> int:
    """When a folder last changed, 0 if it cannot be found."""
    try:
        return os.stat(folder).st_mtime_ns  # noqa: PTH116 - a Path for each of 100,000 exams takes a second
    except OSError:
        return 0
