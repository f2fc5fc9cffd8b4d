"""How a command ends: what it raised becomes a sentence on stderr and an exit code."""

from __future__ import annotations

import signal
import traceback as tracebacks
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

import typer

from models.errors import ClutchlightError
from pipeline.cli.exit_codes import ExitCode

__all__ = ["handle_errors"]


@contextmanager
def handle_errors(traceback: bool) -> Iterator[None]:
    """Turn what a command raises into a sentence on stderr and an exit code."""
    before = signal.signal(signal.SIGTERM, _interrupt)
    try:
        yield
    except typer.Exit:
        raise
    except KeyboardInterrupt:
        _fail("Interrupted. Run the same command again to go on; finished clips are kept.", ExitCode.INTERRUPTED)
    except Exception as error:
        if traceback:
            typer.echo(tracebacks.format_exc(), err=True)
        if isinstance(error, ClutchlightError):
            _fail(str(error), _exit_code(error))
        _fail(
            f"Unexpected {type(error).__name__}: {error}. "
            + ("" if traceback else "Run again with --traceback to see where it arose."),
            ExitCode.UNEXPECTED,
        )
    finally:
        signal.signal(signal.SIGTERM, before)


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _exit_code(error: ClutchlightError) -> ExitCode:
    from pipeline.store.atomic_write import OutputError
    from pipeline.store.lock import LockedError

    if isinstance(error, LockedError):
        return ExitCode.LOCKED
    # The places and settings were named by the caller; a disk that fills on the way was not.
    return ExitCode.UNEXPECTED if isinstance(error, OutputError) else ExitCode.USAGE


def _fail(sentence: str, code: ExitCode) -> NoReturn:
    typer.echo(sentence, err=True)
    raise typer.Exit(code)
