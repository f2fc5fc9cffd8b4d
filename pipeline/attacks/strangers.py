"""Requests without login, many at once: all are refused, and the server's memory stays as it was."""

from __future__ import annotations

import asyncio
import resource
import socket
import time
from collections import Counter
from pathlib import Path

from pipeline.attacks.attack_report import AttackResult
from pipeline.attacks.kills import start_victim
from pipeline.attacks.sample_folder import EXAM, keep, say
from pipeline.attacks.victim import HOSTNAME
from pipeline.worker.process_use import held_mib, peak_mib

__all__ = ["send_without_login"]

PARALLEL = 1000
GROWTH_MIB = 64  # what the memory may grow by: less than 64 KiB for each request at once; own choice
REFUSED = frozenset({303, 400, 401, 403, 404, 405, 411, 413, 415})
ENDED = "connection ended"
ADDRESS = f"/exams/{EXAM.animal}/{EXAM.date}"
WAIT_S = 90.0
CHUNK = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"

HEADS = (
    "GET / HTTP/1.1",
    f"GET {ADDRESS} HTTP/1.1",
    f"GET {ADDRESS}/state HTTP/1.1",
    f"GET {ADDRESS}/clips/0/frames/0 HTTP/1.1\r\nCookie: clutchlight={'x' * 43}",
    "GET /openapi.json HTTP/1.1",
    f"POST {ADDRESS}/answers HTTP/1.1\r\nContent-Type: application/json\r\nContent-Length: 2",
    f"POST {ADDRESS}/answers HTTP/1.1\r\nContent-Type: application/json\r\nContent-Length: {2**40}",
    f"POST {ADDRESS}/answers HTTP/1.1\r\nTransfer-Encoding: chunked",
)


def send_without_login(folder: Path, requests: int, parallel: int = PARALLEL) -> AttackResult:
    """Send that many requests, as many as ``parallel`` at once, to a review that is a process of its own."""
    began, out = time.monotonic(), folder / "served"
    out.mkdir(parents=True)
    keep(out)
    say(out)
    _allow_open_files(parallel + 100)
    port = _free_port()
    server = start_victim("review", out, port)
    try:
        assert server.stdout is not None
        server.stdout.readline()  # it listens
        asyncio.run(_send_all(port, min(100, parallel)))  # so that what is loaded once is loaded
        before, outcomes = held_mib(server.pid), Counter[str]()
        while outcomes.total() < requests:
            outcomes += asyncio.run(_send_all(port, min(parallel, requests - outcomes.total())))
        largest = peak_mib(server.pid)
    finally:
        server.kill()
        server.communicate()
    answered = {outcome for outcome in outcomes if outcome != ENDED}
    served = sum(outcomes[one] for one in answered if int(one.removeprefix("status ")) not in REFUSED)
    examples = [f"{served} requests were answered without login."] if served else []
    if largest - before > GROWTH_MIB:
        examples.append(f"the server's memory grew by {largest - before} MiB, more than {GROWTH_MIB}.")
    measured = {"parallel": parallel, "memory_before_mib": before, "peak_memory_mib": largest}
    harm = served + (largest - before > GROWTH_MIB)
    return AttackResult("without login", requests, outcomes, harm, time.monotonic() - began, measured, examples)


async def _send_all(port: int, number: int) -> Counter[str]:
    return Counter(await asyncio.gather(*(_send(port, HEADS[n % len(HEADS)]) for n in range(number))))


async def _send(port: int, head: str) -> str:
    """The status of the answer, or that the server ended the connection without one."""
    lines = (head, f"Host: {HOSTNAME}", "X-Forwarded-Proto: https", "Connection: close", "", "")
    try:
        async with asyncio.timeout(WAIT_S):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            try:
                writer.write("\r\n".join(lines).encode() + (b"{}" if "Length: 2\r" in f"{head}\r" else b""))
                if "chunked" in head or str(2**40) in head:
                    writer.write(CHUNK * 8)
                await writer.drain()
                answer = await reader.read(4096)
            finally:
                writer.close()
    except (OSError, TimeoutError):
        return ENDED
    return f"status {int(answer.split(b' ', 2)[1])}" if answer.startswith(b"HTTP/") else ENDED


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _allow_open_files(number: int) -> None:
    """Each connection is an open file, and systems allow a process 1,024 at first."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    allowed = number if hard == resource.RLIM_INFINITY else min(number, hard)
    if soft != resource.RLIM_INFINITY and soft < allowed:
        resource.setrlimit(resource.RLIMIT_NOFILE, (allowed, hard))
