"""Builds the JSON documents of an exam's page: counts in the sheet's words, eggs, clips and history."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from models.printable import printable
from models.stages import Stage
from pipeline.estimate.results import Count, EggFinding, ExamFinding, Sighting
from pipeline.formatting import date_text, percent
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, ngettext
from pipeline.people.answers import AddComment
from pipeline.people.event_log import Event
from pipeline.people.signatures import login_text
from pipeline.people.users import User
from pipeline.report.flag_text import translated_flags
from pipeline.report.sheet_entries import egg_confidence_text
from pipeline.report.summary import ExamSummary
from pipeline.report.text import (
    clip_title,
    follicle_count_text,
    interval_text,
    shelled_count_text,
    shelled_text,
    size_text,
)
from pipeline.review.best_view import best_view, usable_clips
from pipeline.review.document_models import (
    ClipDocument,
    CountDocument,
    EggDocument,
    EventDocument,
    ExamDocument,
    FlagDocument,
    LastExamDocument,
    OutlinesDocument,
    RefusedClipDocument,
    ReshapedOutline,
    SignatureDocument,
    TrackOutlines,
    UserDocument,
)
from pipeline.review.event_text import event_text
from pipeline.review.exam_review import ExamReview
from pipeline.review.replay import ReviewedEgg, Signature
from pipeline.review.undo import undo_redo_targets, undone_sequences
from pipeline.scan.clip_scan import ClipScan

__all__ = ["egg_finding", "event_document", "exam_document", "outlines_document"]

MAXIMUM_HISTORY = 60  # answers shown; all are stored
NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"


def exam_document(
    reviewed: ExamReview, user: User, others: Sequence[str], last_exam: ExamSummary | None
) -> ExamDocument:
    """Everything that the page shows, except pictures and outlines.

    others : names of the other users on this page;  last_exam : the animal's exam before this one
    """
    case, state = reviewed.case, reviewed.state
    clips = usable_clips(case.scans)
    undo, redo = undo_redo_targets(reviewed.events, user.name)
    undone = undone_sequences(reviewed.events)
    shown = [egg for egg in state.eggs if egg.is_shown]
    must_answer = {egg.number for egg in state.unanswered_candidates}
    signature = state.signature
    return ExamDocument(
        head=state.head,
        fingerprint=case.fingerprint,
        animal=case.exam.animal,
        date=date_text(case.exam.date),
        signed=None if signature is None else _signature(reviewed, signature),
        you=UserDocument(name=user.name, role=user.role, permission=user.permission),
        now=_counts(reviewed.finding, case.summary.is_scanned),
        program=_counts(case.summary.finding, case.summary.is_scanned),
        flags=[
            FlagDocument(severity=flag.severity, reason=f"{flag.reason} {flag.advice}".strip())
            for flag in translated_flags(reviewed.finding.flags)
        ],
        eggs=[_egg(egg, reviewed, clips, egg.number in must_answer) for egg in shown],
        clips=[
            ClipDocument(
                file=scan.file,
                name=clip_title(scan),
                frames=scan.frames,
                rate=scan.frame_rate,
                width=scan.width,
                height=scan.height,
                mm_per_px=scan.mm_per_px,
                depth_px=scan.imaging_depth_px,
                centre_x_px=scan.sector_centre_x_px,
                unusable=list(state.unusable.get(scan.file, ())),
                used=_runs(scan.used_frames),
            )
            for scan in clips
        ],
        refused=[
            # Its name may be the reason: a name of invalid Unicode cannot be sent as it is.
            RefusedClipDocument(file=printable(scan.file), reason=stored_text(printable(scan.reason or "")))
            for scan in case.scans
            if scan.status == "refused"
        ],
        comments=[event_document(event) for event in state.comments if not any(_is_about(event, egg) for egg in shown)],
        questions=[event_document(event) for event in state.questions],
        history=[
            event_document(event, undone=event.sequence in undone) for event in reviewed.events[-MAXIMUM_HISTORY:]
        ],
        undo=undo,
        redo=redo,
        last_exam=None
        if last_exam is None
        else LastExamDocument(date=date_text(last_exam.exam.date), address=f"/exams/{quote(last_exam.folder)}"),
        others=list(others),
        sheet=None if signature is None else f"/exams/{quote(case.summary.folder)}/sheet",
    )


def outlines_document(scan: ClipScan) -> OutlinesDocument:
    """The outlines of every track of a clip."""
    return OutlinesDocument(
        tracks={
            str(track.identity): TrackOutlines(
                frames=track.frames.tolist(), ellipses=np.round(track.ellipses, 1).tolist()
            )
            for track in scan.tracks.tracks
        }
    )


def event_document(event: Event, *, undone: bool = False) -> EventDocument:
    return EventDocument(
        sequence=event.sequence,
        who=event.person,
        at=event.at,
        what=event_text(event),
        undone=undone,
        remark=event.answer.text if isinstance(event.answer, AddComment) else "",
    )


def egg_finding(egg: ReviewedEgg, reviewed: ExamReview) -> EggFinding:
    """The finding about an egg; for one that is not counted, built from what the batch knows of it."""
    counted = next((one for one in reviewed.finding.eggs if one.identity == egg.number), None)
    if counted is not None:
        return counted
    snapshot = next((one for one in reviewed.case.snapshot.eggs if one.number == egg.number), None)
    stage: Stage = egg.stage or (snapshot.stage if snapshot else "calcified")
    existence = 0.0 if egg.verdict == "not-egg" else snapshot.existence if snapshot else 0.0
    sightings = tuple(
        Sighting(segment.clip, segment.track, segment.first, segment.last, segment.first) for segment in egg.segments
    )
    return EggFinding(egg.number, stage, 0.0, existence, "cannot tell", None, None, None, sightings)


def _egg(egg: ReviewedEgg, reviewed: ExamReview, clips: Sequence[ClipScan], must_answer: bool) -> EggDocument:
    finding = egg_finding(egg, reviewed)
    is_counted = any(one.identity == egg.number for one in reviewed.finding.eggs)
    has_scale = any(scan.mm_per_px is not None for scan in clips)
    view = best_view(egg, clips)
    folder = quote(reviewed.case.summary.folder)
    version = f"{finding.stage}-{len(egg.segments)}-{egg.segments[0].track}-{len(egg.reshaped)}"
    return EggDocument(
        number=egg.number,
        segments=egg.segments,
        counted_by_batch=egg.counted_by_batch,
        counted=is_counted,
        verdict=egg.verdict,
        stage=finding.stage,
        staged=egg.stage is not None,
        confidence=finding.confidence,
        must_answer=must_answer,
        description=_description(egg, finding, is_counted, has_scale),
        certainty=_certainty(egg, finding, is_counted),
        certainty_text=_certainty_text(egg, finding, is_counted),
        answered_by=egg.answered_by,
        outlines={str(track): outline for track, outline in egg.outlines.items()},
        reshaped=[
            ReshapedOutline(clip=clip, frame=frame, ellipse=ellipse) for (clip, frame), ellipse in egg.reshaped.items()
        ],
        best=(0, 0) if view is None else (view.clip_index, view.frame),
        picture=f"/exams/{folder}/eggs/{egg.number}?version={version}",
        remarks=[event_document(event) for event in reviewed.state.comments if _is_about(event, egg)],
    )


def _is_about(comment: Event, egg: ReviewedEgg) -> bool:
    """Whether it names frames of this egg. One about an egg that is not found any more is about the exam."""
    about = comment.answer.egg if isinstance(comment.answer, AddComment) else ()
    return any(own.shared_frame_count(one) for own in egg.segments for one in about)


def _description(egg: ReviewedEgg, finding: EggFinding, is_counted: bool, has_scale: bool) -> str:
    if egg.outlines and len(egg.segments) == 1:
        if not is_counted:
            return gettext("drawn by hand")
        return gettext("{size}, drawn by hand", size=size_text(finding, has_scale))
    if is_counted:
        return size_text(finding, has_scale)
    return gettext("not counted") if egg.verdict == "not-egg" else stored_text("uncertain, not counted")


def _certainty(egg: ReviewedEgg, finding: EggFinding, is_counted: bool) -> str:
    # For an egg that is not counted its own probability would mislead: the exam as a whole makes it unlikely.
    if not is_counted or egg.is_settled:
        return ""
    return gettext("{probability} sure", probability=percent(finding.confidence)).replace(" ", NO_BREAK_SPACE)


def _certainty_text(egg: ReviewedEgg, finding: EggFinding, is_counted: bool) -> str:
    if not is_counted or egg.is_settled:
        return ""
    return egg_confidence_text(finding)


def _signature(reviewed: ExamReview, signature: Signature) -> SignatureDocument:
    """Who signed; and what was signed, if the recordings have been read again and give another count."""
    signed_count = reviewed.events[signature.sequence - 1].after.get("shelled", [])
    current = reviewed.finding.shelled
    then = ""
    if signed_count and signed_count != [current.at_least, current.estimate, *current.interval90]:
        at_least, estimate, low, high = signed_count
        count = Count(at_least, estimate, (low, high))
        then = gettext(
            "The signed count was {count}; the recordings have been read again since.", count=shelled_text(count)
        )
    return SignatureDocument(
        name=signature.name,
        role=signature.role,
        at=signature.at,
        login=stored_text(login_text(signature.logged_in)),
        then=then,
    )


def _counts(finding: ExamFinding, is_scanned: bool) -> CountDocument:
    if not is_scanned:
        return CountDocument(figure=gettext("not scanned"))
    shelled, stage = finding.shelled, stored_text(finding.stage)
    return CountDocument(
        figure=str(shelled.estimate) if shelled.estimate else gettext("none seen"),
        count_text=shelled_count_text(shelled),
        noun=ngettext("shelled egg", "shelled eggs", shelled.estimate),
        range=interval_text(shelled),
        at_least=gettext("at least {number}", number=shelled.at_least),
        stage="" if finding.stage == "none seen" else f"{stage} ({percent(finding.stage_probability)})",
        follicles=follicle_count_text(finding.follicles) if finding.follicles.estimate else "",
    )


def _runs(frames: NDArray[np.int64]) -> list[tuple[int, int]]:
    """First and last frame of every run of consecutive frames."""
    if not len(frames):
        return []
    ends = np.flatnonzero(np.diff(frames) > 1)
    firsts: list[int] = frames[np.concatenate([[0], ends + 1])].tolist()
    lasts: list[int] = frames[np.concatenate([ends, [len(frames) - 1]])].tolist()
    return list(zip(firsts, lasts, strict=True))
