"""The server behind a proxy that provides HTTPS: what the proxy says is believed, what others say is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import httpx2 as httpx
import pytest

from pipeline.people.journal import Journal
from pipeline.people.users import User, Users
from pipeline.review.web.login_throttle import FREE_TRIES
from tests.pipeline.review.conftest import running_server
from tests.pipeline.review.web.test_concurrent_users import NO_TLS

NAME, PASSWORD = "Orla Finch", "a long enough word"
LogIn = Callable[..., httpx.Response]


@pytest.fixture
def log_in(out: Path) -> Iterator[LogIn]:
    """Tries to log in with these headers."""
    with closing(Journal(out)) as journal:
        Users(journal).save(User(NAME, "vet", "sign"), PASSWORD)
    with (
        running_server(out, needs_login=True, proxies=("127.0.0.1",)) as address,
        httpx.Client(base_url=address, verify=NO_TLS) as client,
    ):

        def tried(password: str = PASSWORD, **headers: str) -> httpx.Response:
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            return client.post("/login", json={"name": NAME, "password": password}, headers=named)

        yield tried


def test_cookies_are_sent_over_https_only(log_in: LogIn) -> None:
    response = log_in(X_Forwarded_Proto="https", X_Forwarded_For="198.51.100.1")
    assert response.status_code == 200
    assert "Secure" in response.headers["set-cookie"]
    assert "strict-transport-security" in response.headers


@pytest.mark.parametrize("headers", [{}, {"X_Forwarded_Proto": "http"}])
def test_requests_without_https_are_refused(log_in: LogIn, headers: dict[str, str]) -> None:
    response = log_in(**headers)
    assert response.status_code == 403
    assert "set-cookie" not in response.headers


def test_only_a_proxy_is_believed(out: Path) -> None:
    with (
        running_server(out, needs_login=True, proxies=("192.0.2.9", "198.51.100.0/24")) as address,
        httpx.Client(base_url=address, verify=NO_TLS) as client,
    ):
        headers = {"x-forwarded-proto": "https", "x-forwarded-for": "192.0.2.9"}
        assert client.get("/login", headers=headers).status_code == 403


def test_a_stranger_behind_the_proxy_delays_nobody_else(log_in: LogIn) -> None:
    def log_in_from(address: str, password: str) -> int:
        return log_in(password, X_Forwarded_Proto="https", X_Forwarded_For=address).status_code

    # Whatever the stranger claims, the proxy adds the address from which the request came.
    tries = [log_in_from(f"203.0.113.{n}, 198.51.100.1", "a wrong one") for n in range(FREE_TRIES + 1)]
    assert tries == [401] * FREE_TRIES + [429]
    assert log_in_from("198.51.100.2", PASSWORD) == 200
