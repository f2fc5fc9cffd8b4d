"""Guessing passwords is slow, and failing on purpose keeps nobody else out."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from pipeline.people.users import User, Users
from pipeline.review.web import login_throttle
from pipeline.review.web.login_throttle import FREE_TRIES, LoginOrigin, LoginThrottle
from tests.pipeline.review.conftest import BASE, Served, running_server
from tests.pipeline.review.web.test_concurrent_users import NO_TLS

NAME, PASSWORD, WRONG = "Orla Finch", "a long enough word", "a wrong one"


@pytest.fixture
def log_in(serve: Callable[..., Served]) -> Callable[..., int]:
    """Tries to log in, and returns the status."""
    served = serve(needs_login=True)
    served.context.users.save(User(NAME, "vet", "sign"), PASSWORD)

    def tried(password: str, *, name: str = NAME, address: str = "192.0.2.1") -> int:
        client = TestClient(served.client.app, base_url=BASE, client=(address, 50_000))
        return client.post("/login", json={"name": name, "password": password}).status_code

    return tried


def test_after_a_few_failures_the_next_try_must_wait(log_in: Callable[..., int]) -> None:
    assert [log_in(WRONG) for _ in range(FREE_TRIES + 1)] == [401] * FREE_TRIES + [429]
    assert log_in(PASSWORD) == 429  # also with the right one, or the answer would reveal it
    assert log_in(PASSWORD, name=NAME.upper()) == 429  # whatever the case of its letters
    assert log_in(WRONG, name="Nobody") == 401


def test_a_stranger_keeps_nobody_out(log_in: Callable[..., int]) -> None:
    for n in range(60):  # many names from one address
        log_in(WRONG, name=f"Nobody {n}")
    for n in range(60):  # one name from many addresses
        log_in(WRONG, address=f"192.0.2.{n + 2}")
    assert log_in(PASSWORD) == 200
    assert log_in(PASSWORD, address="2001:db8::1") == 200


def test_parallel_guesses_are_not_all_tried(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    running, most_at_once, checked = 0, 0, 0
    lock = threading.Lock()

    def slow_check(self: Users, name: str, password: str) -> None:
        nonlocal running, most_at_once, checked
        with lock:
            running, checked = running + 1, checked + 1
            most_at_once = max(most_at_once, running)
        time.sleep(0.05)
        with lock:
            running -= 1

    monkeypatch.setattr(Users, "authenticate", slow_check)
    with running_server(out, needs_login=True) as address, ThreadPoolExecutor(60) as guessers:

        def guess(_: int) -> int:
            with httpx.Client(base_url=address, timeout=30, verify=NO_TLS) as client:
                return client.post("/login", json={"name": NAME, "password": WRONG}).status_code

        statuses = list(guessers.map(guess, range(60)))
    assert 1 <= checked <= FREE_TRIES
    assert sorted(statuses) == [401] * checked + [429] * (60 - checked)
    assert most_at_once == 1


@given(st.lists(st.floats(0, 2000), max_size=40))
def test_a_delay_is_never_longer_than_its_maximum_and_ends(pauses_s: list[float]) -> None:
    clock = [0.0]
    throttle, origin = LoginThrottle(now=lambda: clock[0]), LoginOrigin("192.0.2.1", "orla")
    for pause_s in pauses_s:
        clock[0] += pause_s
        wait_s = throttle.begin(origin)
        assert wait_s <= login_throttle.MAXIMUM_DELAY_S
        if wait_s:
            clock[0] += wait_s + 1e-6  # rounding
            assert throttle.begin(origin) == 0
        throttle.end(origin, is_right=False)


def test_a_patient_guesser_has_few_hundred_tries_a_day() -> None:
    clock = [0.0]
    throttle, origin = LoginThrottle(now=lambda: clock[0]), LoginOrigin("192.0.2.1", "orla")
    tries = 0
    while clock[0] < 86_400:
        if wait_s := throttle.begin(origin):
            clock[0] += wait_s + 1e-6
        else:
            throttle.end(origin, is_right=False)
            tries += 1
    assert 288 <= tries <= 300  # one in five minutes, and the first ones


def test_success_and_time_end_a_delay() -> None:
    clock = [0.0]
    throttle, origin = LoginThrottle(now=lambda: clock[0]), LoginOrigin("192.0.2.1", "orla")
    for is_right in (*[False] * (FREE_TRIES - 1), True, *[False] * FREE_TRIES):
        assert throttle.begin(origin) == 0
        throttle.end(origin, is_right=is_right)
    assert throttle.begin(origin) == login_throttle.FIRST_DELAY_S
    clock[0] = login_throttle.FORGET_S
    for _ in range(FREE_TRIES):
        assert throttle.begin(origin) == 0
        throttle.end(origin, is_right=False)


def test_one_network_has_few_passwords_checked_at_once() -> None:
    throttle = LoginThrottle()
    origins = [LoginOrigin("192.0.2.1", f"user {n}") for n in range(login_throttle.MAXIMUM_RUNNING + 1)]
    waits_s = [throttle.begin(origin) for origin in origins]
    assert waits_s == [0.0] * login_throttle.MAXIMUM_RUNNING + [login_throttle.RUNNING_RETRY_S]
    assert throttle.begin(LoginOrigin("192.0.2.2", "user 0")) == 0
    throttle.end(origins[0], is_right=False)
    assert throttle.begin(origins[-1]) == 0


def test_other_names_do_not_erase_a_delay(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(login_throttle, "MAXIMUM_ORIGINS", 20)
    throttle, origin = LoginThrottle(now=lambda: 0.0), LoginOrigin("192.0.2.1", "orla")
    for tried in (*[origin] * FREE_TRIES, *(LoginOrigin("192.0.2.1", f"nobody {n}") for n in range(200))):
        assert throttle.begin(tried) == 0
        throttle.end(tried, is_right=False)
    assert throttle.begin(origin) > 0
    assert len(throttle._tries) <= 20


@pytest.mark.parametrize(
    ("one", "other", "is_same"),
    [
        ("2001:db8:0:1::1", "2001:db8:0:1:ffff::2", True),
        ("2001:db8:0:1::1", "2001:db8:0:2::1", False),
        ("::ffff:192.0.2.1", "192.0.2.1", True),
        ("192.0.2.1", "192.0.2.2", False),
        ("fe80::1%eth0", "fe80::2%eth0", True),
        ("a socket", "a socket", True),
    ],
)
def test_the_addresses_of_one_machine_are_one_network(one: str, other: str, is_same: bool) -> None:
    assert (LoginOrigin.of(one, "Orla") == LoginOrigin.of(other, "ORLA")) == is_same
