from __future__ import annotations

import time
from threading import Thread

import pytest

from pipeline.speed.stage_clock import StageClock

HERE = __name__


def spin(seconds: float) -> None:
    end = time.thread_time() + seconds
    while time.thread_time() < end:
        pass


def outer() -> None:
    spin(0.02)
    inner()
    time.sleep(0.05)


def inner() -> None:
    spin(0.04)


class Worker:
    def work(self) -> None:
        spin(0.02)


def test_a_stage_does_not_count_the_stages_within_it_nor_waiting() -> None:
    clock = StageClock()
    with clock.watching({"outer": [f"{HERE}:outer"], "inner": [f"{HERE}:inner"]}):
        outer()
    assert clock.seconds["outer"] == pytest.approx(0.02, abs=0.01)
    assert clock.seconds["inner"] == pytest.approx(0.04, abs=0.01)


def test_threads_are_counted_apart() -> None:
    clock = StageClock()
    with clock.watching({"work": [f"{HERE}:Worker.work"], "outer": [f"{HERE}:outer"]}):
        thread = Thread(target=Worker().work)
        thread.start()
        outer()
        thread.join()
    assert clock.seconds["work"] == pytest.approx(0.02, abs=0.01)
    assert clock.seconds["outer"] == pytest.approx(0.06, abs=0.01)


def fail() -> None:
    raise ZeroDivisionError


def test_afterwards_the_functions_are_as_before_and_errors_pass() -> None:
    clock, before = StageClock(), fail
    with clock.watching({"fail": [f"{HERE}:fail"]}):
        assert fail is not before
        with pytest.raises(ZeroDivisionError):
            fail()
    assert fail is before
    assert set(clock.seconds) == {"fail"}
