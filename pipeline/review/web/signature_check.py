"""Brings the files that show signatures up to date while the pages are already served.

With many signed exams that takes minutes, since every signed sheet is read, and nobody should wait for it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from models.errors import ClutchlightError
from pipeline.review.signature_files import rebuild_signature_files
from pipeline.review.web.app_context import AppContext

__all__ = ["checked_signatures"]

log = logging.getLogger(__name__)


@contextmanager
def checked_signatures(context: AppContext) -> Iterator[None]:
    """Check in a thread, which ends early when the server does. Problems are logged."""
    ended = threading.Event()

    def check() -> None:
        try:
            for problem in rebuild_signature_files(
                context.cases, context.event_log, context.frame, context.signature_files, ended.is_set
            ):
                log.warning("%s", problem)
        except ClutchlightError as error:
            log.warning("the signed sheets were not checked: %s", error)

    thread = threading.Thread(target=check, name="signature check", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
