"""From where an address of this service can be reached: this machine, the home network, or anywhere.

A link that only opens on the teacher's own computer is worth nothing to a family, so whoever makes one is told.
"""

from __future__ import annotations

import ipaddress
import socket
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from urllib.parse import urlsplit

ELSEWHERE = (("192.0.2.1", socket.AF_INET), ("2001:db8::1", socket.AF_INET6))
"""Addresses that nobody has (RFC 5737, RFC 3849): the way to them tells this machine's own; nothing is sent."""
HERE, NETWORK, ANYWHERE = "here", "network", "anywhere"
ALL_ADDRESSES = ("0.0.0.0", "::", "")
"""What a service listens on that listens on every address of its machine."""


@dataclass(frozen=True, slots=True)
class Reach:
    """From where an address opens.

    Attributes
    ----------
    where : {'here', 'network', 'anywhere'}
    secure : bool
        Whether it is HTTPS: without it a phone lends no page its camera (W3C Secure Contexts).
    own_certificate : bool
        Whether the certificate was made here, so that a phone warns.
    """

    where: str
    secure: bool
    own_certificate: bool


def reach(address: str, own_certificate: bool) -> Reach:
    """From where an address opens, as far as its name tells.

    Examples
    --------
    >>> reach("http://127.0.0.1:8000", False).where, reach("http://192.168.1.5:8000", False).where
    ('here', 'network')
    >>> reach("https://fit.example.org", False)
    Reach(where='anywhere', secure=True, own_certificate=False)
    """
    parts = urlsplit(address)
    name, secure = parts.hostname or "", parts.scheme == "https"
    if name == "localhost":
        return Reach(HERE, secure, own_certificate)
    try:
        known = ipaddress.ip_address(name)
    except ValueError:
        where = NETWORK if "." not in name or name.endswith((".local", ".home.arpa")) else ANYWHERE
        return Reach(where, secure, own_certificate)
    where = HERE if known.is_loopback else NETWORK if known.is_private or known.is_link_local else ANYWHERE
    return Reach(where, secure, own_certificate)


@lru_cache(maxsize=1)
def own_addresses() -> tuple[str, ...]:
    """Addresses of this machine in its networks, the one it reaches others by first; empty where it has none."""
    found = []
    for target, family in ELSEWHERE:
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as way:
            way.connect((target, 9))
            found.append(str(way.getsockname()[0]))
    with suppress(OSError):
        found += [str(each[4][0]) for each in socket.getaddrinfo(socket.gethostname(), None)]
    usable = (each for each in dict.fromkeys(found) if "%" not in each)
    return tuple(each for each in usable if not ipaddress.ip_address(each).is_loopback)


def written_host(host: str) -> str:
    """A host as it stands in an address (RFC 3986, 3.2.2): IPv6 in brackets."""
    return f"[{host}]" if ":" in host else host
