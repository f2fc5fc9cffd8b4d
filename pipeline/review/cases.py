"""An exam's result as the batch left it, with all that the review needs. Read from the batch's store, never written."""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.batch.animal_background import AnimalBackgrounds
from pipeline.batch.stored_summaries import read_summary
from pipeline.estimate.exam_estimate import estimate_grouping, group_exam
from pipeline.estimate.flags.catalogue import by_urgency
from pipeline.estimate.history import AnimalBackground
from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam import Exam
from pipeline.people.event_log import ExamKey
from pipeline.people.journal import Journal
from pipeline.report.export.result import ModelIdentity
from pipeline.report.summary import ExamSummary
from pipeline.review.batch_snapshot import BatchSnapshot, take_snapshot
from pipeline.review.corrections import CorrectedInputs, apply_corrections
from pipeline.review.replay import ReviewState
from pipeline.scan.clip_scan import ClipScan, refused_scan
from pipeline.scan.coverage import ClipCoverage, clip_coverage
from pipeline.scan.serialization import unpack_scan
from pipeline.settings import Settings, scan_settings_sha256, settings_sha256
from pipeline.store.exam_lists import ExamQuery, ListedStore
from pipeline.store.store import ScanKey
from pipeline.track.merging.merge import Grouping

__all__ = ["CaseError", "CaseStore", "ReviewCase"]

CACHED_CASES = 24  # held in memory; a case with its pictures takes a few MB
# Flags that depend on other exams or on folders, so no answer about this exam changes them.
CROSS_EXAM_FLAGS = ("same-recording", "recordings-moved")


class CaseError(ClutchlightError):
    """A result cannot be reviewed. The text says why and what to do."""


@dataclass(frozen=True)
class ReviewCase:
    """One exam as the batch left it. grouping : before any answer;  fingerprint : SHA-256 of the snapshot, hex"""

    summary: ExamSummary
    scans: tuple[ClipScan, ...]
    coverage: tuple[ClipCoverage, ...]
    grouping: Grouping
    snapshot: BatchSnapshot
    fingerprint: str
    model: ModelIdentity
    settings: Settings
    background: AnimalBackground

    @property
    def exam(self) -> Exam:
        return self.summary.exam

    @property
    def key(self) -> ExamKey:
        return ExamKey(self.exam.animal, self.exam.date.isoformat())

    def corrected_inputs(self, state: ReviewState) -> CorrectedInputs:
        """The inputs of the estimate with the answers applied."""
        return apply_corrections(
            self.grouping,
            [scan.tracks for scan in self.scans if scan.status == "done"],
            self.coverage,
            {scan.file: scan.used_frames for scan in self.scans},
            state,
            self.settings,
        )

    def finding(self, state: ReviewState) -> ExamFinding:
        """The batch's own estimate with the answers applied. The eggs have the review's numbers."""
        corrected = self.corrected_inputs(state)
        finding = estimate_grouping(
            self.exam,
            corrected.grouping,
            corrected.clips,
            corrected.coverage,
            self.settings,
            background=self.background,
        )
        restaged = {egg.number for egg in state.eggs if egg.stage is not None}
        eggs = []
        for egg in finding.eggs:
            number = corrected.egg_numbers[egg.sightings[0].clip, egg.sightings[0].track]
            # The tracks of a restaged egg hold the user's stage, not the network's.
            network = None if number in restaged else egg.network_stages
            eggs.append(replace(egg, identity=number, network_stages=network))
        uncounted = []
        for one in finding.uncounted:
            sighting = one.sightings[0]
            uncounted.append(replace(one, identity=corrected.egg_numbers[sighting.clip, sighting.track]))
        cross_exam = [flag for flag in self.summary.finding.flags if flag.code in CROSS_EXAM_FLAGS]
        flags = by_urgency([*finding.flags, *cross_exam])
        return replace(
            finding,
            eggs=tuple(sorted(eggs, key=lambda egg: egg.identity)),
            flags=flags,
            uncounted=tuple(sorted(uncounted, key=lambda one: one.identity)),
        )


class CaseStore:
    """The exams of one output folder. May be used from many threads."""

    def __init__(self, out: Path, settings: Settings, journal: Journal) -> None:
        self.out = out
        self.settings = settings
        self._settings_sha256 = settings_sha256(settings)
        self._journal = journal
        self._store = ListedStore(out)
        self._lock = threading.Lock()
        self._cases: OrderedDict[str, tuple[str, ReviewCase]] = OrderedDict()

    def close(self) -> None:
        self._store.close()

    def folders(self) -> list[tuple[ExamKey, str]]:
        """Every exam and its folder, by animal and date."""
        with self._lock:
            return [(ExamKey(animal, date), folder) for animal, date, folder in self._store.listed_folders()]

    def species(self) -> list[str]:
        """Of all exams, sorted."""
        with self._lock:
            return self._store.species()

    def mark_signed(self, signed: Collection[ExamKey], opened: Collection[ExamKey]) -> None:
        """Note which exams were signed, and which are open again, for `listed`."""
        with self._lock:
            self._store.mark_signed([(*key,) for key in signed], [(*key,) for key in opened])

    def listed(self, query: ExamQuery, first: int, number: int) -> tuple[list[ExamSummary], int]:
        """A page of the exams that match, the most urgent first, and how many match in all. first : from 0"""
        with self._lock:
            page = self._store.list_exams(query, first, number)
            found = (self._store.exam(*key) for key in page.exams)
            summaries = (read_summary(exam) for exam in found if exam is not None)
            return [summary for summary in summaries if summary is not None], page.count

    def open_neighbours(self, key: ExamKey) -> tuple[str | None, str | None]:
        """The folders of the exams before and after one, in the order of `listed`, of those that nobody has signed."""
        with self._lock:
            return self._store.open_neighbours((key.animal, key.date))

    def last_exam_before(self, exam: Exam) -> ExamSummary | None:
        """The animal's latest earlier exam, None if there is none."""
        date = exam.date.isoformat()
        with self._lock:
            earlier = [stored for stored in self._store.exams_of({exam.animal}) if stored.date < date]
            summaries = (read_summary(stored) for stored in reversed(earlier))
            return next((summary for summary in summaries if summary is not None), None)

    def case(self, folder: str) -> ReviewCase | None:
        """The case of ANIMAL/DATE, a folder name as the batch made it; None if there is no such exam.

        Nothing from a request becomes a path: the folder is looked up among those that the batch wrote.
        Raises CaseError if the exam exists but cannot be reviewed.
        """
        with self._lock:
            key = self._store.exam_in(folder)
            stored = None if key is None else self._store.exam(*key)
            summary = None if stored is None else read_summary(stored)
            if stored is None or summary is None:
                return None
            known = self._cases.get(folder)
            if known is None or known[0] != stored.fingerprint:
                self._cases[folder] = stored.fingerprint, self._load(summary)
            self._cases.move_to_end(folder)
            while len(self._cases) > CACHED_CASES:
                self._cases.popitem(last=False)
            return self._cases[folder][1]

    def _load(self, summary: ExamSummary) -> ReviewCase:
        exam = summary.exam
        where = f"{exam.animal}, {exam.date.isoformat()}"
        advice = "Run the batch over its recordings again."
        path = self.out / summary.folder / "result.json"
        try:
            result = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise CaseError(f"{where}: {path} cannot be read ({error}). {advice}") from error
        if result["settings_sha256"] != self._settings_sha256:
            raise CaseError(
                f"{where}: the batch ran with other settings, or another calibration of the network, than this server. "
                "Start the server with the batch's --settings FILE and --weights FILE, or run the batch over the "
                "recordings again."
            )
        model = ModelIdentity(result["model"]["name"], result["model"]["sha256"])
        engine = self._store.engine_name(exam.animal, exam.date.isoformat()) or ""
        scanned_with = scan_settings_sha256(self.settings)
        scans: list[ClipScan] = []
        by_file = {clip.file: clip for clip in exam.clips}
        for entry in result["clips"]:
            clip = by_file[entry["file"]]
            if entry["status"] == "refused":
                scans.append(refused_scan(clip, entry["sha256"], entry["reason"] or ""))
                continue
            packed = self._store.scan(ScanKey(entry["sha256"], model.sha256, scanned_with, engine))
            scan = None if packed is None else unpack_scan(packed, clip, entry["sha256"])
            if scan is None:
                raise CaseError(f"{where}: the stored scan of {clip.file} is missing or in an old format. {advice}")
            scans.append(scan)
        coverage = tuple(clip_coverage(scan) for scan in scans)
        tracks = [scan.tracks for scan in scans if scan.status == "done"]
        grouping = group_exam(exam, tracks, coverage, self.settings)
        snapshot = take_snapshot(grouping, summary.finding, scans)
        fingerprint = hashlib.sha256(snapshot.dumps().encode()).hexdigest()
        background = AnimalBackgrounds.load(self._store, self._journal).for_exam(exam)
        return ReviewCase(
            summary, tuple(scans), coverage, grouping, snapshot, fingerprint, model, self.settings, background
        )
