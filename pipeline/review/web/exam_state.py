"""An exam's document for the user of a session, with who else is on the page."""

from __future__ import annotations

from pipeline.review.document_models import ExamDocument
from pipeline.review.exam_document import exam_document
from pipeline.review.exam_review import ExamReview
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.sessions import Session

__all__ = ["exam_state"]


def exam_state(context: AppContext, reviewed: ExamReview, session: Session) -> ExamDocument:
    case = reviewed.case
    others = context.presence.other_viewers(case.summary.folder, session)
    return exam_document(reviewed, session.user, others, context.cases.last_exam_before(case.exam))
