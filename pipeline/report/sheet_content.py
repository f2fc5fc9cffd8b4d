"""What one animal's sheet says, to be read in twenty seconds: all text, pictures and drawings, ready to be drawn.

The content is built once. ``sheet_html`` draws it for a screen or phone, ``pdf.sheet_pdf`` on one page of paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from pipeline.estimate.results import EggFinding, ExamFinding, Flag, History
from pipeline.exams.exam import Exam
from pipeline.formatting import MULTIPLICATION_SIGN, date_text, number_text, percent
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, mark, ngettext
from pipeline.report.body_map import BodyMap, body_map, body_map_text
from pipeline.report.export.result import ModelIdentity
from pipeline.report.flag_text import translated_flags
from pipeline.report.follicle_text import follicle_sizes_text
from pipeline.report.history_text import HistoryRow, history_rows, history_sentences, history_sources
from pipeline.report.links import NO_LINKS, SheetLinks
from pipeline.report.sheet_entries import (
    ClipEntry,
    EggEntry,
    UncountedEntry,
    clip_entry,
    egg_entries,
    egg_legend,
    uncounted_entry,
)
from pipeline.report.sightings import sorted_scans
from pipeline.report.sign_off import SignOff
from pipeline.report.sweep_plot import SweepPlot, sweep_plot
from pipeline.report.text import (
    follicle_count_text,
    interval_text,
    scan_text,
    size_summary_text,
    stage_mix_text,
    windows_text,
)
from pipeline.report.timeline import Timeline, timeline
from pipeline.report.verdict import NOT_SIGNED, Signing, Verdict, exam_verdict, headline
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "CAUTIONS",
    "Fact",
    "HistoryContent",
    "SheetContent",
    "SheetLabels",
    "sheet_content",
]

CAUTIONS = (
    mark(
        "This is not a diagnostic device. Treatment is decided by licensed veterinary staff under local wildlife rules."
    ),
    mark(
        "Ultrasound counts are known to miss eggs, and “none seen” does not mean none. A radiograph remains the "
        "reference for the number of eggs."
    ),
    mark("A calcified shell is not a laying clock: it does not show when she will lay."),
)


@dataclass(frozen=True)
class SheetLabels:
    """Titles and fixed text, the same on every sheet of a language."""

    document_type: str
    actions: str
    no_flags: str
    sweep: str
    sweep_and_map: str
    uncounted: str
    uncounted_hint: str
    body_map: str
    recordings: str
    no_recordings: str
    cautions: str
    page_caution: str
    stage_lines: str
    passed: str
    sources: str

    @classmethod
    def in_use(cls) -> SheetLabels:
        """In the language in use."""
        return cls(
            document_type=gettext("Ultrasound egg sheet"),
            actions=gettext("What to do"),
            no_flags=gettext("Nothing was flagged. The decision stays with the vet."),
            sweep=gettext("When each egg was in view"),
            sweep_and_map=gettext("When each egg was in view, and where"),
            uncounted=gettext("Uncertain, not counted"),
            uncounted_hint=gettext("a person decides: look at the clip, and answer in the review"),
            body_map=gettext("Where the eggs are"),
            recordings=gettext("Recordings"),
            no_recordings=gettext("This exam has no recordings."),
            cautions=gettext("Limits of this sheet"),
            page_caution=gettext(
                "Not a diagnostic device. “None seen” does not mean none; a radiograph remains the reference for the "
                "number of eggs."
            ),
            stage_lines=gettext("full line: calcified · dashed: thin-shelled · dotted: follicle"),
            passed=gettext("Passed before"),
            sources=gettext("Sources of the published ranges"),
        )


@dataclass(frozen=True)
class Fact:
    """A cell of the row below the count. detail : may be empty"""

    label: str
    value: str
    detail: str


@dataclass(frozen=True)
class HistoryContent:
    """Her other exams. sentences : empty if there is nothing to say

    rows, timeline : all her exams; empty and None if this is her only exam;  sources : of the published ranges
    """

    title: str
    sentences: tuple[str, ...]
    rows: tuple[HistoryRow, ...]
    timeline: Timeline | None
    sources: tuple[str, ...] = ()


@dataclass(frozen=True)
class SheetContent:
    """Everything on the sheet. Text is plain, not escaped.

    station : name of the centre, may be empty
    headline : the count in a few words, for titles;  exam_details : label and value
    history : None if there is nothing to say;  body_map : None if no egg can be placed
    sweep_plot : None if there is no egg or no usable clip;  footer : the network and settings behind the sheet
    sources : of the published ranges in flags and history, in a fold
    """

    station: str
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
    legend: str
    uncounted: tuple[UncountedEntry, ...]
    body_map: BodyMap | None
    body_map_text: str
    sweep_plot: SweepPlot | None
    clips: tuple[ClipEntry, ...]
    sources: tuple[str, ...]
    footer: str
    cautions: tuple[str, ...]
    labels: SheetLabels
    links: SheetLinks = NO_LINKS


def sheet_content(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
    *,
    station: str = "",
    signing: Signing = NOT_SIGNED,
    links: SheetLinks = NO_LINKS,
) -> SheetContent:
    """The sheet of one exam. The order of the clips does not matter.

    finding : the program's own, or with the corrections that people signed
    """
    clips = sorted_scans(scans)
    signed = signing.sign_off.by_number if signing.sign_off else {}
    eggs = sorted(finding.eggs, key=lambda egg: egg.identity)
    is_scanned = any(len(scan.used_frames) for scan in clips)
    placed = body_map(exam, finding, clips)
    flags = translated_flags(finding.flags)
    history = _history(_with_signed_counts(finding.history, signing.sign_off))
    return SheetContent(
        station=station,
        animal=exam.animal,
        species=exam.species or gettext("species unknown"),
        date=date_text(exam.date),
        headline=headline(finding, signing.sign_off) if is_scanned else gettext("not scanned"),
        exam_details=tuple(_exam_details(exam)),
        verdict=exam_verdict(finding, clips, is_scanned, signing),
        flags=flags,
        facts=tuple(_facts(finding, clips, eggs, is_scanned, signing.sign_off)),
        history=history,
        eggs_title=(
            gettext("Best view of each egg and follicle")
            if finding.follicles.estimate
            else gettext("Best view of each egg")
        ),
        eggs=egg_entries(eggs, clips, links.review, signed),
        legend=egg_legend(eggs),
        uncounted=tuple(
            uncounted_entry(one, clips, links.review, signed.get(one.identity)) for one in finding.uncounted
        ),
        body_map=placed,
        body_map_text=body_map_text(placed) if placed else "",
        sweep_plot=sweep_plot(finding, clips),
        clips=tuple(clip_entry(scan) for scan in clips),
        sources=tuple(_sources(flags, history)),
        links=links,
        footer=gettext(
            "Network {network} ({hash}), settings {settings}. The same recordings, network and settings give this same "
            "sheet.",
            network=model.name,
            hash=model.sha256[:12],
            settings=settings_sha256[:12],
        ),
        cautions=tuple(map(gettext, CAUTIONS)),
        labels=SheetLabels.in_use(),
    )


def _exam_details(exam: Exam) -> list[tuple[str, str]]:
    """The boxes at the head of the sheet. The date is always there, the others only if they are known."""
    details = [(gettext("Scanned"), date_text(exam.date))]
    if exam.scanned_by:
        details.append((gettext("Scanned by"), exam.scanned_by))
    if exam.weight_g is not None:
        details.append((gettext("Weight"), f"{number_text(exam.weight_g, 'g')} g"))
    if exam.carapace_mm is not None:
        size = number_text(exam.carapace_mm, "g")
        if exam.carapace_width_mm is not None:
            size += f" {MULTIPLICATION_SIGN} {number_text(exam.carapace_width_mm, 'g')}"
        details.append((gettext("Carapace"), f"{size} mm"))
    if exam.passed_before:
        laid = ngettext("{number} egg", "{number} eggs", exam.passed_before)
        details.append((gettext("Laid before"), laid))
    return details


def _facts(
    finding: ExamFinding,
    clips: Sequence[ClipScan],
    eggs: Sequence[EggFinding],
    is_scanned: bool,
    sign_off: SignOff | None,
) -> list[Fact]:
    facts = [Fact(gettext("How well she was scanned"), stored_text(windows_text(clips)), scan_text(clips))]
    if not is_scanned:
        return facts
    is_confirmed = sign_off is not None and sign_off.is_confirmed
    stage = sign_off.stage or finding.stage if sign_off is not None else finding.stage
    if stage == "none seen":
        facts.append(Fact(gettext("Stage"), stored_text(stage), ""))
    else:
        probability = "" if is_confirmed else f" ({percent(finding.stage_probability)})"
        facts.append(Fact(gettext("Stage"), f"{stored_text(stage)}{probability}", stage_mix_text(eggs)))
    if eggs:
        are_follicles = all(egg.stage == "follicle" for egg in eggs)
        label = gettext("Size") if are_follicles else gettext("Size of shelled eggs")
        scale_known = any(scan.mm_per_px is not None for scan in clips)
        facts.append(Fact(label, *size_summary_text(eggs, scale_known)))
    follicles = finding.follicles if sign_off is None else sign_off.follicles
    details = ["" if is_confirmed else interval_text(follicles), follicle_sizes_text(eggs)]
    facts.append(Fact(gettext("Follicles"), follicle_count_text(follicles), "; ".join(filter(None, details))))
    return facts


def _history(history: History) -> HistoryContent | None:
    sentences = tuple(history_sentences(history))
    sources = tuple(history_sources(history))
    if len(history.visits) > 1:
        rows = tuple(history_rows(history))
        return HistoryContent(gettext("Change since her last exam"), sentences, rows, timeline(history), sources)
    if not sentences:
        return None
    return HistoryContent(gettext("Compared with her species"), sentences, (), None, sources)


def _with_signed_counts(history: History, sign_off: SignOff | None) -> History:
    """This exam among her others with the counts that were signed. Comparisons stay as the estimate made them."""
    if sign_off is None or not history.visits:
        return history
    *others, now = history.visits
    signed = replace(now, shelled=sign_off.shelled, follicles=sign_off.follicles)
    return replace(history, visits=(*others, signed))


def _sources(flags: Sequence[Flag], history: HistoryContent | None) -> Iterator[str]:
    """Each source once, with what it is a source of."""
    if history is not None:
        yield from history.sources
    for flag in flags:
        if flag.sources:
            yield f"{flag.reason.split(':')[0]}: {flag.sources}"
