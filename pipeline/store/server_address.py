"""The address of a PostgreSQL server as settings name it, and the password that belongs to it.

As with PostgreSQL's own programs, the password is in the environment (PGPASSWORD) or in ``~/.pgpass``, never in the
address (https://www.postgresql.org/docs/current/libpq-pgpass.html).
"""

from __future__ import annotations

import getpass
import logging
import os
import re
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, unquote, urlencode, urlsplit

from pipeline.store.schema import StoreError

__all__ = ["ServerAddress", "read_address"]

log = logging.getLogger(__name__)

DEFAULT_PORT = 5432
EXAMPLE = "postgresql://USER@HOST/DATABASE"


@dataclass(frozen=True)
class ServerAddress:
    """user : "" for that of PGUSER or of the machine
    host : a name or, beginning with /, the folder of the server's socket

    sslmode : "" to encrypt if the server can; "disable", "require", or "verify-full" to check its certificate, too
    """

    user: str
    host: str
    port: int
    database: str
    sslmode: str = ""

    def __str__(self) -> str:
        user = quote(self.user, safe="") + "@" if self.user else ""
        host = "" if self.host.startswith("/") else f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port == DEFAULT_PORT else f":{self.port}"
        options = {"host": self.host if self.host.startswith("/") else "", "sslmode": self.sslmode}
        query = urlencode({name: value for name, value in options.items() if value}, safe="/")
        return f"postgresql://{user}{host}{port}/{quote(self.database, safe='')}" + (f"?{query}" if query else "")

    @property
    def user_name(self) -> str:
        return self.user or os.environ.get("PGUSER") or getpass.getuser()

    def connect_arguments(self) -> dict[str, Any]:
        """What pg8000 needs to connect, with the password."""
        # pg8000 encrypts if the server can, without looking at its certificate, unless told otherwise.
        tls = {"disable": False, "require": True, "verify-full": ssl.create_default_context()}.get(self.sslmode)
        where: dict[str, Any] = {"host": self.host, "port": self.port, "ssl_context": tls}
        if self.host.startswith("/"):
            where = {"unix_sock": f"{self.host}/.s.PGSQL.{self.port}", "ssl_context": False}
        return {**where, "user": self.user_name, "database": self.database, "password": _password(self)}


def read_address(url: str) -> ServerAddress:
    """Read an address such as ``postgresql://clutchlight@db.lan/turtles``. Raises StoreError."""
    parts = urlsplit(url)
    options = parse_qs(parts.query)
    try:
        port = parts.port or DEFAULT_PORT
    except ValueError:
        port = 0
    if parts.password is not None:
        raise StoreError(
            f"The address of the database ({EXAMPLE}) must not hold a password. Put it into ~/.pgpass or PGPASSWORD."
        )
    sslmode = options.pop("sslmode", [""])[-1]
    socket = options.pop("host", [""])[-1]
    host, database = socket or parts.hostname or "", unquote(parts.path.removeprefix("/"))
    is_known = parts.scheme == "postgresql" and sslmode in ("", "disable", "require", "verify-full") and not options
    if not (is_known and port and host and database) or "/" in database:
        raise StoreError(
            f'"{url}" is no address of a database. It is like {EXAMPLE}, with ?sslmode=disable, require or verify-full '
            "after it, or ?host=/FOLDER of the server's socket."
        )
    return ServerAddress(unquote(parts.username or ""), host, port, database, sslmode)


def _password(address: ServerAddress) -> str:
    """ "" if there is none, as where the server trusts the user of the machine."""
    given = os.environ.get("PGPASSWORD")
    if given:
        return given
    path = Path(os.environ.get("PGPASSFILE") or Path.home() / ".pgpass")
    try:
        if path.stat().st_mode & 0o077:
            log.warning("%s: others can read this file, so it is not used. Protect it: chmod 600 %s", path, path)
            return ""
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError:
        return ""
    host = "localhost" if address.host.startswith("/") else address.host
    wanted = (host, str(address.port), address.database, address.user_name)
    for *stated, password in _entries(lines):
        if all(one in ("*", value) for one, value in zip(stated, wanted, strict=True)):
            return password
    return ""


def _entries(lines: list[str]) -> Iterator[list[str]]:
    """Host, port, database, user and password of each line. A backslash keeps the meaning of : and of itself."""
    for line in lines:
        fields = re.findall(r"((?:\\.|[^:\\])*)(?::|$)", line)
        if not line.startswith("#") and len(fields) >= 5:
            yield [re.sub(r"\\(.)", r"\1", field) for field in fields[:5]]
