"""Where a webhook or a push message may go: to the outside, over TLS, and nowhere else.

Whoever makes a webhook, or poses as a browser, has this service send requests; an address of the own network would let
them knock at doors that are closed from outside (server-side request forgery).  So only ``https`` is taken, every
address that the name stands for must be a public one, the connection is made to the very address that was checked (a
name may stand for another one a moment later), no redirection is followed, and of the answer only the status is looked
at.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from dataclasses import dataclass
from functools import cache
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address
from urllib.parse import urlsplit

import httpx

LONGEST_URL, LONGEST_ENDPOINT = 500, 1000
"""Letters of an address, and of a browser's at its push service; the records' columns."""
SECONDS = 15.0
"""Longest time for one delivery, with the looking up of its name, s: the standard recommends 15 to 30."""
NAT64 = IPv6Network("64:ff9b::/96")
"""IPv4 addresses as IPv6-only networks write them (RFC 6052)."""


class TargetRefused(Exception):
    """Raised where a webhook may not go; the text says why."""


@dataclass(frozen=True)
class TargetRules:
    """Where webhooks may go.

    Attributes
    ----------
    private : bool
        Also to addresses of the own network, and without TLS.
    authorities : str
        Further certificate authorities, as PEM; empty for those of the machine alone.
    longest : int
        Letters of an address.
    """

    private: bool = False
    authorities: str = ""
    longest: int = LONGEST_URL


@dataclass(frozen=True)
class Target:
    """An address, taken apart."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def host_header(self) -> str:
        """What the receiver is called."""
        usual = {"https": 443, "http": 80}[self.scheme]
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == usual else f"{host}:{self.port}"

    def at(self, address: str) -> str:
        """The same by an internet address."""
        return f"{self.scheme}://{f'[{address}]' if ':' in address else address}:{self.port}{self.path}"


def read_target(url: str, rules: TargetRules) -> Target:
    """Take an address apart.

    Raises
    ------
    TargetRefused
        If it is none, or one that webhooks may not go to by its form.
    """
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        if not host.isascii() or any(letter.isspace() or ord(letter) < 33 for letter in url):
            host = ""
    except ValueError:
        host, port = "", None
    if not host or len(url) > rules.longest:
        raise TargetRefused("This is no address of a receiver.")
    if parts.scheme not in (("https", "http") if rules.private else ("https",)):
        raise TargetRefused("A webhook goes to an address that begins with https://.")
    if parts.username is not None or parts.password is not None:
        raise TargetRefused("An address with a password in it is not taken; the signature says who sends.")
    try:
        public = rules.private or is_public(ip_address(host))
    except ValueError:  # a name, which is looked up when something is sent
        public = rules.private or not host.rstrip(".").endswith(("localhost", ".local", ".internal"))
    if not public:
        raise TargetRefused("A webhook does not go to an address of a private network.")
    usual = 443 if parts.scheme == "https" else 80
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(parts.scheme, host, usual if port is None else port, path)


def is_public(address: IPv4Address | IPv6Address) -> bool:
    """Whether an address is one of the internet, also where it is an IPv4 address in the clothes of IPv6.

    Examples
    --------
    >>> [is_public(ip_address(each)) for each in ("9.9.9.9", "10.0.0.1", "::ffff:127.0.0.1", "::127.0.0.1", "fec0::1")]
    [True, False, False, False, False]
    """
    if isinstance(address, IPv6Address):
        within = address.ipv4_mapped or address.sixtofour or (address.teredo[1] if address.teredo else None)
        if address in NAT64:
            within = IPv4Address(int(address) & 0xFFFFFFFF)
        if within is not None:
            return is_public(within)
        if address.is_reserved or address.is_site_local:  # forms that once led inwards, and may again
            return False
    return address.is_global and not address.is_multicast


async def addresses_of(target: Target, rules: TargetRules) -> list[str]:
    """The internet addresses of a target.

    Raises
    ------
    TargetRefused
        If the name is not known, or one of its addresses is not public.
    """
    try:
        found = await asyncio.get_running_loop().getaddrinfo(target.host, target.port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise TargetRefused("name not known") from None
    addresses = list(dict.fromkeys(str(each[4][0]).partition("%")[0] for each in found))
    if not addresses or not (rules.private or all(is_public(ip_address(each)) for each in addresses)):
        raise TargetRefused("address not public")
    return addresses


@cache
def _trust(authorities: str) -> ssl.SSLContext:
    context = ssl.create_default_context()
    if authorities:
        context.load_verify_locations(cadata=authorities)
    return context


async def post(url: str, body: bytes, headers: dict[str, str], rules: TargetRules) -> int:
    """Send a body to a target; what it answered.

    Parameters
    ----------
    url : str
    body : bytes
    headers : dict of str to str
    rules : TargetRules

    Returns
    -------
    int
        The status; the answer itself is not read.

    Raises
    ------
    TargetRefused
        If the target is not one to send to.
    OSError, TimeoutError, httpx.HTTPError
        If it could not be reached in time.
    """
    target = read_target(url, rules)
    async with (
        asyncio.timeout(SECONDS),
        httpx.AsyncClient(
            verify=_trust(rules.authorities), timeout=SECONDS, follow_redirects=False, trust_env=False
        ) as client,
        client.stream(
            "POST",
            target.at((await addresses_of(target, rules))[0]),
            content=body,
            headers=headers | {"Host": target.host_header},
            extensions={"sni_hostname": target.host},  # the certificate is that of the name, not of the address
        ) as answer,
    ):
        return answer.status_code
