"""The names and addresses of this computer, for a server that listens at all of them."""

from __future__ import annotations

import ipaddress
import socket
from contextlib import closing, suppress

__all__ = ["is_wildcard", "own_addresses"]

# Addresses kept for documentation (RFC 5737, RFC 3849). Nothing is sent there: a datagram socket that is only connected
# tells from which of its own addresses the computer would send.
ELSEWHERE = {socket.AF_INET: ("192.0.2.1", 9), socket.AF_INET6: ("2001:db8::1", 9)}


def is_wildcard(host: str) -> bool:
    """Whether this stands for every address of the computer, as 0.0.0.0 does."""
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def own_addresses() -> list[str]:
    """The computer's name and its addresses, those first under which others reach it."""
    name = socket.gethostname()
    found = [name]
    for family, elsewhere in ELSEWHERE.items():
        try:
            with closing(socket.socket(family, socket.SOCK_DGRAM)) as unsent:
                unsent.connect(elsewhere)
                found.append(str(unsent.getsockname()[0]))
        except OSError:
            continue  # no network of this kind
    with suppress(OSError):  # the computer's name may have no address
        found += [str(info[4][0]) for info in socket.getaddrinfo(name, None)]
    return list(dict.fromkeys([*(one.partition("%")[0].casefold() for one in found), "localhost", "127.0.0.1", "::1"]))
