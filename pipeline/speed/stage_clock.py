"""Processor time of chosen functions, each without the other chosen ones that it calls.

The functions are wrapped while the clock runs, so the program itself contains nothing that measures. Time is counted
for each thread by itself: work of another thread at the same time, and waiting, cost nothing.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from functools import wraps
from importlib import import_module
from threading import local
from typing import Any
from unittest.mock import patch

__all__ = ["StageClock"]


class StageClock:
    """seconds : of processor time, by the name of the stage"""

    def __init__(self) -> None:
        self.seconds: defaultdict[str, float] = defaultdict(float)
        self._of_thread = local()  # stages: those that run now, the innermost last;  since: when the last one changed

    @contextmanager
    def watching(self, functions: Mapping[str, Sequence[str]]) -> Iterator[None]:
        """Count the functions of each stage, written as "module:function" or "module:Class.method"."""
        with ExitStack() as stack:
            for stage, names in functions.items():
                for name in names:
                    module_name, _, path = name.partition(":")
                    owner: Any = import_module(module_name)
                    *outer, attribute = path.split(".")
                    for part in outer:
                        owner = getattr(owner, part)
                    stack.enter_context(patch.object(owner, attribute, self._timed(getattr(owner, attribute), stage)))
            yield

    def _timed(self, function: Callable[..., Any], stage: str) -> Callable[..., Any]:
        @wraps(function)
        def timed(*arguments: Any, **options: Any) -> Any:
            self._switch().append(stage)
            try:
                return function(*arguments, **options)
            finally:
                self._switch().pop()

        return timed

    def _switch(self) -> list[str]:
        """Charge the stage that ran until now in this thread, if any. Returns those that run."""
        of_thread, now = self._of_thread, time.thread_time()
        if not hasattr(of_thread, "stages"):
            of_thread.stages = []
        stages: list[str] = of_thread.stages
        if stages:
            self.seconds[stages[-1]] += now - of_thread.since
        of_thread.since = now
        return stages
