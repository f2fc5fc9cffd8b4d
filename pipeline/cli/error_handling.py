"""Errors of a command: each becomes a sentence on stderr and an exit code."""

from __future__ import annotations

import signal
import traceback as tracebacks
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

import typer

from models.errors import ClutchlightError
from models.printable import printable_lines
from pipeline.cli.exit_codes import ExitCode

__all__ = ["exit_code_of", "handle_errors"]


# A closed terminal, Ctrl+\, the end of a session or of a machine, and a limit of processor time (ulimit -t).
_STOPPING = (signal.SIGHUP, signal.SIGQUIT, signal.SIGTERM, signal.SIGXCPU)

# Of libraries that are not always installed: the extra in pyproject.toml, and what needs it.
_SIMULATED_ANIMALS = ("train", "simulated animals and training need")
_EXTRAS = {
    **dict.fromkeys(("albumentations", "pycocotools", "torch", "torchvision"), _SIMULATED_ANIMALS),
    **dict.fromkeys(("dask", "distributed"), ("cluster", "a cluster needs")),
}


@contextmanager
def handle_errors(traceback: bool) -> Iterator[None]:
    """Turn an error in the block into a sentence on stderr and an exit code.

    The signals of `_STOPPING` interrupt the block as Ctrl+C does; one that is ignored, as nohup does with SIGHUP, stays
    so. traceback : also print where an error arose
    """
    previous = {number: signal.getsignal(number) for number in _STOPPING}
    for number, handler in previous.items():
        if handler is not signal.SIG_IGN:
            signal.signal(number, _interrupt)
    try:
        yield
    except typer.Exit:
        raise
    except KeyboardInterrupt:
        _fail("Interrupted. Run the same command again to continue; finished clips are kept.", ExitCode.INTERRUPTED)
    except Exception as error:
        if traceback:
            typer.echo(printable_lines(tracebacks.format_exc()), err=True)
        if isinstance(error, ClutchlightError):
            _fail(str(error), exit_code_of(error))
        if isinstance(error, ModuleNotFoundError) and error.name in _EXTRAS:
            extra, what = _EXTRAS[error.name]
            _fail(
                f"This needs the Python package {error.name}, which is not installed. Install it, with others that "
                f"{what}: pip install 'clutchlight[{extra}]'.",
                ExitCode.USAGE,
            )
        if _is_lack_of_memory(error):
            _fail(
                "The memory is used up. Raise the limit (ulimit -v) or end other programs, then run again.",
                ExitCode.UNEXPECTED,
            )
        _fail(
            f"Unexpected {type(error).__name__}: {error}. "
            + ("" if traceback else "Run again with --traceback to see where the error arose."),
            ExitCode.UNEXPECTED,
        )
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def exit_code_of(error: ClutchlightError) -> ExitCode:
    """The exit code for an error that a person can act on.

    Most are `ExitCode.USAGE`, since the user named the files, folders and settings. A disk that fills up during the run
    is not the user's mistake, nor are a process that ends and a cluster that does not answer.
    """
    from pipeline.night.readiness import NotReadyError
    from pipeline.night.upload import UploadError
    from pipeline.store.atomic_write import OutputError
    from pipeline.store.lock import LockedError
    from pipeline.store.server_lock import LockLostError
    from pipeline.worker.job_pool import PoolLostError
    from pipeline.worker.worker import WorkerError

    if isinstance(error, LockedError):
        return ExitCode.LOCKED
    if isinstance(error, NotReadyError):
        return ExitCode.NOT_READY
    unexpected = LockLostError | OutputError | PoolLostError | UploadError | WorkerError
    return ExitCode.UNEXPECTED if isinstance(error, unexpected) else ExitCode.USAGE


def _is_lack_of_memory(error: Exception) -> bool:
    """Also of the loader of libraries (ld.so), which says it only in words, and of libraries in C++."""
    in_words = ("failed to map segment", "cannot allocate memory", "bad_alloc", "can't start new thread")
    return isinstance(error, MemoryError) or any(words in str(error).lower() for words in in_words)


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _fail(sentence: str, code: ExitCode) -> NoReturn:
    typer.echo(printable_lines(sentence), err=True)  # it may quote what a file holds
    raise typer.Exit(code)
