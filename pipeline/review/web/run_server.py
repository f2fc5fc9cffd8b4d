"""Running the server: its address, its host names, its certificate."""

from __future__ import annotations

import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import FastAPI

from models.errors import ClutchlightError
from pipeline.review.web.app import make_app
from pipeline.review.web.app_context import open_app_context
from pipeline.review.web.own_addresses import is_wildcard, own_addresses
from pipeline.settings import Settings

if TYPE_CHECKING:
    import uvicorn

__all__ = [
    "ServerError",
    "ServerOptions",
    "allowed_hosts",
    "listen",
    "opened_addresses",
    "serve",
    "server_config",
]

# Common practice, no source.
BACKLOG_CONNECTIONS = 512  # so that a browser that connects early waits instead of being refused
KEEP_ALIVE_S = 30
SHUTDOWN_S = 3  # after that open connections are closed: browsers hold them open


class ServerError(ClutchlightError):
    """The server cannot listen at the address."""


@dataclass(frozen=True)
class ServerOptions:
    """host, port : to listen at; port 0 is any free one;  hostnames : further names under which users reach the server

    proxies : addresses and networks of proxies that provide HTTPS; without a certificate others are then refused
    certificate, private_key : PEM files for HTTPS, None for HTTP
    needs_login : whether users need a password
    """

    host: str
    port: int
    hostnames: tuple[str, ...]
    proxies: tuple[str, ...]
    certificate: Path | None
    private_key: Path | None
    needs_login: bool

    @property
    def is_encrypted(self) -> bool:
        """Whether users reach the server by HTTPS only."""
        return self.certificate is not None or bool(self.proxies)


def serve(out: Path, settings: Settings, options: ServerOptions, on_ready: Callable[[list[str]], None]) -> None:
    """Serve the pages until the process is interrupted.

    on_ready : called when the server listens, with the addresses that users can open, the best first

    Raises ServerError if the server cannot listen at the address, StoreError or JournalError if out cannot be used.
    """
    import uvicorn

    with listen(options) as listener:
        port = int(listener.getsockname()[1])
        context = open_app_context(
            out,
            settings,
            allowed_hosts=allowed_hosts(options, port),
            needs_login=options.needs_login,
            is_encrypted=options.is_encrypted,
        )
        config = server_config(make_app(context), options)
        on_ready(opened_addresses(options, port))
        with suppress(KeyboardInterrupt):  # the normal way to stop the server
            uvicorn.Server(config).run(sockets=[listener])


def server_config(app: FastAPI, options: ServerOptions) -> uvicorn.Config:
    """How uvicorn serves the application."""
    import uvicorn

    from pipeline.review.web.http_protocol import LimitedHttpProtocol

    return uvicorn.Config(
        app,
        http=LimitedHttpProtocol,
        ws="none",
        log_level="warning",
        server_header=False,
        # The proxies say who asks (X-Forwarded-For) and how (X-Forwarded-Proto); nobody else is believed.
        proxy_headers=bool(options.proxies),
        forwarded_allow_ips=list(options.proxies),
        ssl_certfile=options.certificate,
        ssl_keyfile=options.private_key,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=SHUTDOWN_S,
        backlog=BACKLOG_CONNECTIONS,
    )


def listen(options: ServerOptions) -> socket.socket:
    """A socket that listens at the address. Raises ServerError if that is not possible."""
    family = socket.AF_INET6 if ":" in options.host else socket.AF_INET
    # With IPPROTO_TCP asyncio sets TCP_NODELAY; without it small responses wait 40 ms for an acknowledgement.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((options.host, options.port))
        listener.listen(BACKLOG_CONNECTIONS)
    except OSError as error:
        listener.close()
        raise ServerError(
            f"{options.host}, port {options.port}: the server cannot listen here ({error.strerror or error}). Choose "
            "another --port or --host."
        ) from error
    return listener


def allowed_hosts(options: ServerOptions, port: int) -> frozenset[str]:
    """The values of the Host header to accept. Any other may be another site's name that resolves to this server."""
    names = {options.host, *options.hostnames}
    if is_wildcard(options.host):
        names |= set(own_addresses())
    if not options.needs_login:
        names |= {"127.0.0.1", "localhost", "::1"}
    hosts = {_url_host(name.casefold()) for name in names}
    has_default_port = port in (80, 443) or bool(options.hostnames)  # a proxy may serve the names at a default port
    return frozenset({f"{host}:{port}" for host in hosts} | (hosts if has_default_port else set()))


def opened_addresses(options: ServerOptions, port: int) -> list[str]:
    """Where users open the pages, the best address first."""
    if options.proxies and options.hostnames:
        return [f"https://{_url_host(name)}/" for name in options.hostnames]
    scheme = "https" if options.certificate else "http"
    listening = own_addresses() if is_wildcard(options.host) else [options.host]
    return [f"{scheme}://{_url_host(name)}:{port}/" for name in dict.fromkeys([*options.hostnames, *listening])]


def _url_host(name: str) -> str:
    return f"[{name}]" if ":" in name else name
