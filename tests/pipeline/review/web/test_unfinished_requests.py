"""Requests that are too large or never end, sent over real connections: the server ends the connection."""

from __future__ import annotations

import http.client
import socket
import time
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from pipeline.review.web import http_protocol
from tests.pipeline.review.conftest import EXAM, running_server

CHUNK = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
CHUNKS_IN_VAIN = 256  # 16 MiB, more than the buffers of both sides hold


def connect(address: str) -> socket.socket:
    host, port = address.removeprefix("http://").split(":")
    connection = socket.create_connection((host, int(port)), timeout=10)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


def head(address: str, request_line: str, *lines: str) -> bytes:
    return "\r\n".join([request_line, f"Host: {address.removeprefix('http://')}", *lines, "", ""]).encode()


def is_ended(connection: socket.socket) -> bool:
    """Whether the server ends the connection within 5 s, without an answer."""
    connection.settimeout(5)
    try:
        return connection.recv(65536) == b""
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False


@pytest.mark.parametrize(
    ("request_line", "lines"),
    [
        (f"POST {EXAM}/answers HTTP/1.1", ("Transfer-Encoding: chunked",)),
        ("POST /login HTTP/1.1", ("Transfer-Encoding: chunked", "Content-Length: 2", "Content-Type: application/json")),
        ("GET /login HTTP/1.1", ("Transfer-Encoding: chunked",)),
        ("POST /login HTTP/1.1", (f"Content-Length: {2**40}", "Content-Type: application/json")),
        (f"GET {EXAM} HTTP/1.1", (f"Content-Length: {2**40}",)),
        ("POST /login HTTP/1.1", (f"Content-Length: {'9' * 20}",)),
    ],
)
def test_no_large_body_is_received(out: Path, request_line: str, lines: tuple[str, ...]) -> None:
    with running_server(out, needs_login=True) as address, connect(address) as connection:
        connection.sendall(head(address, request_line, *lines))
        with pytest.raises(OSError, match=r"reset|[Bb]roken pipe"):
            connection.sendall(CHUNK * CHUNKS_IN_VAIN)


def test_who_sends_too_much_is_told(out: Path) -> None:
    with running_server(out, needs_login=True) as address, connect(address) as connection:
        connection.sendall(head(address, "POST /login HTTP/1.1", "Content-Length: 900000"))
        answer = b"".join(iter(lambda: connection.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 413")
    assert b"too large: more than 256 KiB" in answer


@pytest.mark.parametrize(
    "sent",
    [
        "",
        "GET /login HTTP/1.1\r\nHost: ",
        "POST /login HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\nContent-Length: 99\r\n\r\n{{",
    ],
    ids=["nothing", "half a head", "half a body"],
)
def test_a_half_sent_request_is_not_waited_for(out: Path, monkeypatch: pytest.MonkeyPatch, sent: str) -> None:
    monkeypatch.setattr(http_protocol, "REQUEST_SECONDS", 0.5)
    with running_server(out, needs_login=True) as address, connect(address) as connection:
        connection.sendall(sent.format(host=address.removeprefix("http://")).encode())
        assert is_ended(connection)


def test_waiting_connections_keep_nobody_out(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_protocol, "MAXIMUM_CONNECTIONS", 3)
    with running_server(out, needs_login=True) as address, ExitStack() as stack:
        waiting = [stack.enter_context(connect(address)) for _ in range(5)]
        last = stack.enter_context(connect(address))
        last.sendall(head(address, "GET /static/icon.svg HTTP/1.1"))
        assert last.recv(65536).startswith(b"HTTP/1.1 200")
        assert [is_ended(connection) for connection in waiting[:3]] == [True] * 3
        waiting[-1].sendall(head(address, "GET /static/icon.svg HTTP/1.1"))
        assert waiting[-1].recv(65536).startswith(b"HTTP/1.1 200")


def test_every_request_has_a_time_of_its_own(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_protocol, "REQUEST_SECONDS", 0.5)
    with (
        running_server(out, needs_login=True) as address,
        closing(http.client.HTTPConnection(address.removeprefix("http://"), timeout=10)) as client,
    ):
        for _ in range(3):
            client.request("GET", "/static/icon.svg")
            assert client.getresponse().read().startswith(b"<svg")
            time.sleep(0.3)
        client.sock.sendall(b"GET /login HTT")
        assert is_ended(client.sock)
