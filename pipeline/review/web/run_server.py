"""The server started: on which address, under which names, and until it is stopped."""

from __future__ import annotations

import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.review.web.app import make_app
from pipeline.review.web.app_context import open_app_context
from pipeline.settings import Settings

__all__ = ["ServerError", "ServerOptions", "listen", "serve"]


class ServerError(ClutchlightError):
    """An address that cannot be served."""


@dataclass(frozen=True)
class ServerOptions:
    """host, port : to listen at, port 0 for any that is free;  hostnames : that people reach it by, besides the host

    needs_login : whether people prove who they are
    """

    host: str
    port: int
    hostnames: tuple[str, ...]
    certificate: Path | None
    private_key: Path | None
    needs_login: bool


def serve(out: Path, settings: Settings, options: ServerOptions, on_ready: Callable[[str], None]) -> None:
    """Serve the page until the process is told to stop. on_ready : told the address once it is open

    Raises ServerError where the address cannot be had, StoreError or EventLogError where out cannot be used.
    """
    import uvicorn

    listener = listen(options)
    port = int(listener.getsockname()[1])
    scheme = "https" if options.certificate else "http"
    context = open_app_context(
        out,
        settings,
        allowed_hosts=_hosts(options, port),
        needs_login=options.needs_login,
        is_encrypted=options.certificate is not None,
    )
    context.cases.summaries()  # so that the first page need not wait until all exams have been read
    config = uvicorn.Config(
        make_app(context),
        log_level="warning",
        server_header=False,
        proxy_headers=False,
        ssl_certfile=options.certificate,
        ssl_keyfile=options.private_key,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=3,  # browsers hold connections open
        backlog=512,
    )
    shown = f"[{options.host}]" if ":" in options.host else options.host
    on_ready(f"{scheme}://{shown}:{port}/")
    with listener, suppress(KeyboardInterrupt):  # how it is meant to end
        uvicorn.Server(config).run(sockets=[listener])


def _hosts(options: ServerOptions, port: int) -> frozenset[str]:
    """What a browser may call us in the Host header; anything else is another site's name that leads here."""
    names = {options.host, *options.hostnames}
    if not options.needs_login:
        names |= {"127.0.0.1", "localhost", "::1"}
    shown = {f"[{name}]" if ":" in name else name.casefold() for name in names}
    return frozenset(
        {f"{name}:{port}" for name in shown} | (shown if port in (80, 443) or options.hostnames else set())
    )


def listen(options: ServerOptions) -> socket.socket:
    """A socket that listens at the address. Raises ServerError where it cannot be had."""
    family = socket.AF_INET6 if ":" in options.host else socket.AF_INET
    # Named as TCP, or asyncio lets small answers wait 40 ms for the ones before them to be acknowledged (TCP_NODELAY).
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((options.host, options.port))
        listener.listen(512)  # so that whoever follows the address at once is waited for, not sent away
    except OSError as error:
        listener.close()
        raise ServerError(
            f"{options.host}, port {options.port}: cannot be served at ({error.strerror or error}). Choose another "
            "--port or --host."
        ) from error
    return listener
