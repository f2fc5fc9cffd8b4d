"""What one animal's sheet says, to be read in twenty seconds: all text, pictures and drawings, ready to be drawn.

The content is built once. ``sheet_html`` draws it for a screen or phone, ``pdf.sheet_pdf`` on one page of paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.estimate.results import EggFinding, ExamFinding, Flag, History
from pipeline.exams.exam_search import Exam
from pipeline.formatting import MULTIPLICATION_SIGN, date_text, percent, plural
from pipeline.report.body_map import BodyMap, body_map, body_map_text
from pipeline.report.export.result import ModelIdentity
from pipeline.report.follicle_text import follicle_sizes_text, follicles_only_text
from pipeline.report.history_text import HistoryRow, history_rows, history_sentences
from pipeline.report.sheet_entries import ClipEntry, EggEntry, EggLegends, clip_entry, egg_entry, egg_legends
from pipeline.report.sightings import sorted_scans
from pipeline.report.sweep_plot import SweepPlot, sweep_plot
from pipeline.report.text import (
    count_text,
    interval_text,
    scan_text,
    size_summary_text,
    stage_mix_text,
    windows_text,
)
from pipeline.report.timeline import Timeline, timeline
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "CAUTIONS",
    "Fact",
    "HistoryContent",
    "SheetContent",
    "SheetLabels",
    "Verdict",
    "sheet_content",
]

CAUTIONS = (
    "This is not a diagnostic device. Treatment is decided by licensed veterinary staff under local wildlife rules.",
    "Ultrasound counts are known to miss eggs, and “none seen” does not mean none. A radiograph remains the reference "
    "for the number of eggs.",
    "A calcified shell is not a laying clock: it does not show when she will lay.",
)


@dataclass(frozen=True)
class SheetLabels:
    """Titles and fixed text, the same on every sheet."""

    document_type: str = "Ultrasound egg sheet"
    actions: str = "What to do"
    no_flags: str = "Nothing was flagged. The decision stays with the vet."
    sweep: str = "When each egg was in view"
    body_map: str = "Where the eggs are"
    recordings: str = "Recordings"
    no_recordings: str = "This exam has no recordings."
    cautions: str = "Limits of this sheet"
    stage_lines: str = "full line: calcified · dashed: thin-shelled · dotted: follicle"
    passed: str = "Passed before"


@dataclass(frozen=True)
class Verdict:
    """The count of shelled eggs. figure : a number if ``is_number``, else a few words such as "none seen"

    label, range : what the figure counts, and its 90 % range; both empty if she was not scanned
    explanation : how far the figure can be trusted
    """

    figure: str
    label: str
    range: str
    explanation: str
    is_number: bool = False


@dataclass(frozen=True)
class Fact:
    """A cell of the row below the count. detail : may be empty"""

    label: str
    value: str
    detail: str


@dataclass(frozen=True)
class HistoryContent:
    """Her other exams. sentences : empty if there is nothing to say

    rows, timeline : all her exams; empty and None if this is her only exam
    """

    title: str
    sentences: tuple[str, ...]
    rows: tuple[HistoryRow, ...]
    timeline: Timeline | None


@dataclass(frozen=True)
class SheetContent:
    """Everything on the sheet. Text is plain, not escaped.

    headline : the count in a few words, for titles;  exam_details : label and value
    history : None if there is nothing to say;  body_map : None if no egg can be placed
    sweep_plot : None if there is no egg or no usable clip;  footer : the network and settings behind the sheet
    """

    animal: str
    species: str
    date: str
    headline: str
    exam_details: tuple[tuple[str, str], ...]
    verdict: Verdict
    flags: tuple[Flag, ...]
    facts: tuple[Fact, ...]
    history: HistoryContent | None
    eggs_title: str
    eggs: tuple[EggEntry, ...]
    legends: EggLegends
    body_map: BodyMap | None
    body_map_text: str
    sweep_plot: SweepPlot | None
    clips: tuple[ClipEntry, ...]
    footer: str
    cautions: tuple[str, ...] = CAUTIONS
    labels: SheetLabels = SheetLabels()


def sheet_content(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
) -> SheetContent:
    """The sheet of one exam. The order of the clips does not matter."""
    clips = sorted_scans(scans)
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    is_scanned = any(len(scan.used_frames) for scan in clips)
    placed = body_map(exam, finding, clips)
    return SheetContent(
        animal=exam.animal,
        species=exam.species or "species unknown",
        date=date_text(exam.date),
        headline=_headline(finding) if is_scanned else "not scanned",
        exam_details=tuple(_exam_details(exam)),
        verdict=_verdict(finding, clips, is_scanned),
        flags=finding.flags,
        facts=tuple(_facts(finding, clips, eggs, is_scanned)),
        history=_history(finding.history),
        eggs_title=f"Best view of each egg{' and follicle' if finding.follicles.estimate else ''}",
        eggs=tuple(egg_entry(egg, clips) for egg in eggs),
        legends=egg_legends(eggs),
        body_map=placed,
        body_map_text=body_map_text(placed) if placed else "",
        sweep_plot=sweep_plot(finding, clips),
        clips=tuple(clip_entry(scan) for scan in clips),
        footer=(
            f"Network {model.name} ({model.sha256[:12]}), settings {settings_sha256[:12]}. The same recordings, "
            "network and settings give this same sheet."
        ),
    )


def _exam_details(exam: Exam) -> list[tuple[str, str]]:
    """The boxes at the head of the sheet. The date is always there, the others only if they are known."""
    details = [("Scanned", date_text(exam.date))]
    if exam.weight_g is not None:
        details.append(("Weight", f"{exam.weight_g:g} g"))
    if exam.carapace_mm is not None:
        size = f"{exam.carapace_mm:g}"
        if exam.carapace_width_mm is not None:
            size += f" {MULTIPLICATION_SIGN} {exam.carapace_width_mm:g}"
        details.append(("Carapace", f"{size} mm"))
    if exam.passed_before:
        details.append(("Laid before", plural(exam.passed_before, "egg")))
    return details


def _headline(finding: ExamFinding) -> str:
    return (
        "follicles only; no shelled egg seen"
        if _is_follicles_only(finding)
        else count_text(finding.shelled, "shelled egg")
    )


def _is_follicles_only(finding: ExamFinding) -> bool:
    return not finding.shelled.estimate and finding.follicles.estimate > 0


def _verdict(finding: ExamFinding, clips: Sequence[ClipScan], is_scanned: bool) -> Verdict:
    if not is_scanned:
        return Verdict("not scanned", "", "", "No recording of this exam could be used. Nothing is known about eggs.")
    shelled = finding.shelled
    if _is_follicles_only(finding):
        explanation = follicles_only_text(finding.stage_probability, windows_text(clips), scan_text(clips))
        return Verdict("follicles only", "No shelled egg seen", interval_text(shelled), explanation)
    if not shelled.estimate:
        explanation = "“None seen” does not mean none: judge it by how well she was scanned."
        return Verdict("none seen", "No shelled egg was seen", interval_text(shelled), explanation)
    return Verdict(
        figure=str(shelled.estimate),
        label="shelled egg" if shelled.estimate == 1 else "shelled eggs",
        range=interval_text(shelled),
        explanation=(
            f"At least {shelled.at_least} if every detection is right. {percent(finding.confidence)} sure to be within "
            "one egg of the number that the sweeps crossed. Eggs out of reach of the scanned windows are not counted."
        ),
        is_number=True,
    )


def _facts(finding: ExamFinding, clips: Sequence[ClipScan], eggs: Sequence[EggFinding], is_scanned: bool) -> list[Fact]:
    facts = [Fact("How well she was scanned", windows_text(clips), scan_text(clips))]
    if not is_scanned:
        return facts
    if finding.stage == "none seen":
        facts.append(Fact("Stage", "none seen", ""))
    else:
        stage = f"{finding.stage} ({percent(finding.stage_probability)})"
        facts.append(Fact("Stage", stage, stage_mix_text(eggs)))
    if eggs:
        label = "Size" if all(egg.stage == "follicle" for egg in eggs) else "Size of shelled eggs"
        scale_known = any(scan.mm_per_px is not None for scan in clips)
        facts.append(Fact(label, *size_summary_text(eggs, scale_known)))
    details = [interval_text(finding.follicles), follicle_sizes_text(eggs)]
    facts.append(Fact("Follicles", count_text(finding.follicles, "follicle"), "; ".join(filter(None, details))))
    return facts


def _history(history: History) -> HistoryContent | None:
    sentences = tuple(history_sentences(history))
    if len(history.visits) > 1:
        rows = tuple(history_rows(history))
        return HistoryContent("Change since her last exam", sentences, rows, timeline(history))
    return HistoryContent("Compared with her species", sentences, (), None) if sentences else None
