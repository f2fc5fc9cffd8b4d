"""The log of the nights: ``logs/night.log`` beside the results, a JSON object a line, in files of limited size.

What a terminal shows is printed by the command; of the libraries' own messages it gets warnings, in words.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from logging.handlers import RotatingFileHandler
from pathlib import Path

from models.printable import printable_lines
from pipeline.settings_tables import NightSettings

__all__ = ["JsonLines", "log_path", "logging_to", "warnings_in_words"]

PACKAGES = ("pipeline", "models", "synthetic", "configs")


def log_path(out: Path) -> Path:
    return out / "logs" / "night.log"


class JsonLines(logging.Formatter):
    """Each record as one line of JSON: time (UTC), level, module, message, and the fields given as ``extra``."""

    def format(self, record: logging.LogRecord) -> str:
        moment = dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(timespec="milliseconds")
        line = {
            "time": moment,
            "level": record.levelname.lower(),
            "module": record.name,
            "message": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str)  # in ASCII, since messages may quote what a file holds


class _InWords(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return printable_lines(f"{record.levelname.capitalize()}: {record.getMessage()}")


@contextmanager
def logging_to(out: Path, settings: NightSettings) -> Iterator[None]:
    """Write the program's messages from INFO on to the log of ``out``. Raises OSError if it cannot be opened.

    A disk that fills up later costs lines of the log, and nothing else.
    """
    log_path(out).parent.mkdir(parents=True, exist_ok=True)
    handler = _QuietRotatingFileHandler(
        log_path(out),
        maxBytes=round(settings.log_megabytes * 1e6),
        backupCount=settings.log_files - 1,
        encoding="ascii",
    )
    handler.setFormatter(JsonLines())
    handler.setLevel(logging.INFO)
    with _handling(handler, logging.INFO):
        yield


@contextmanager
def warnings_in_words() -> Iterator[None]:
    """Print the program's warnings to stderr as plain lines, except records with fields: those are for the log."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_InWords())
    handler.addFilter(lambda record: not hasattr(record, "fields"))
    handler.setLevel(logging.WARNING)
    with _handling(handler, logging.WARNING):
        yield


@contextmanager
def _handling(handler: logging.Handler, level: int) -> Iterator[None]:
    loggers = [logging.getLogger(name) for name in PACKAGES]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.addHandler(handler)
        logger.setLevel(min(level, logger.getEffectiveLevel()))
    try:
        yield
    finally:
        for logger, before in zip(loggers, levels, strict=True):
            logger.removeHandler(handler)
            logger.setLevel(before)
        handler.close()


class _QuietRotatingFileHandler(RotatingFileHandler):
    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        """Nothing: the library would print a traceback for every line."""
