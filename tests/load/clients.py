"""Who comes: families, readers of pages, strangers and a shop's program, each on a connection of its own."""

from __future__ import annotations

import secrets
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from urllib.parse import urlsplit

import httpx

from tests.speed.family import as_sent, seconds_to_judgement

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
PATIENCE_S = 120.0
IMPATIENT_S = 1.5
"""A stranger's program comes again after so long, s, whatever it is told: so that twice the capacity is asked for."""
PAUSE_S = 3.0
"""Between two photos of a family, s; our choice, shorter than anybody needs for the next one."""


@dataclass(frozen=True)
class Town:
    """A running service and what its visitors hold."""

    address: str
    families: tuple[str, ...]
    key: str


@dataclass
class Seen:
    """What visitors saw."""

    seconds: dict[str, list[float]] = field(default_factory=dict)
    answers: Counter[str] = field(default_factory=Counter)
    failed: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, who: str, seconds: float, status: int, failed: str = "") -> None:
        """Note one answer, status 0 where there was none; and why it is none that a visitor can go on with."""
        with self.lock:
            self.answers[f"{who} {status}"] += 1
            if failed:
                self.failed.append(f"{who} {status} after {seconds:.1f} s: {failed}")
            elif status < 400:
                self.seconds.setdefault(who, []).append(seconds)


def family(town: Town, seen: Seen, photo: bytes) -> None:
    """Send a photo and wait for its judgement."""
    begun = time.perf_counter()
    try:
        seconds = seconds_to_judgement(town.address, secrets.choice(town.families), "arm", photo, good=True)
        seen.note("family", seconds, 200)
    except (RuntimeError, httpx.HTTPError, AssertionError) as error:
        seen.note("family", time.perf_counter() - begun, 0, f"{type(error).__name__} {error}")


def pausing_family(town: Town, seen: Seen, photo: bytes) -> None:
    """Send a photo, wait for its judgement, and take the next one."""
    family(town, seen, photo)
    time.sleep(PAUSE_S)


def page(town: Town, seen: Seen, photo: bytes) -> None:
    """Open a family's page."""
    _ask(town, seen, "page", "GET", secrets.choice(town.families))
    time.sleep(0.2)


def stranger(town: Town, seen: Seen, photo: bytes) -> None:
    """Have a photo measured without a key, and do not hold to when one is told to come again."""
    _ask(town, seen, "stranger", "POST", MEASURE, _form(photo), AS_FORM, most_wait_s=IMPATIENT_S)


def shop(town: Town, seen: Seen, photo: bytes) -> None:
    """Have a photo measured with a key."""
    _ask(town, seen, "shop", "POST", MEASURE, _form(photo), AS_FORM | {"Authorization": f"Bearer {town.key}"})


MEASURE = "/api/v1/arm-measurements"
BOUNDARY = "a-photo-begins-or-ends-here"
AS_FORM = {"Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}


@lru_cache(maxsize=1)
def _form(photo: bytes) -> bytes:
    """A form with one photo (RFC 7578), made once: a visitor's share of the processor is none of the service's."""
    head = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="photos"; filename="a.jpg"\r\n'
    return f"{head}Content-Type: image/jpeg\r\n\r\n".encode() + photo + f"\r\n--{BOUNDARY}--\r\n".encode()


def _ask(
    town: Town,
    seen: Seen,
    who: str,
    method: str,
    path: str,
    body: bytes | None = None,
    headers: dict[str, str] | None = None,
    most_wait_s: float = 5.0,
) -> None:
    """Ask once, on a connection of one's own; whoever is told to come again waits, so many seconds at most."""
    begun = time.perf_counter()
    connection = HTTPConnection(urlsplit(town.address).netloc, timeout=PATIENCE_S)
    try:
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        answer.read()
    except (HTTPException, OSError) as error:
        seen.note(who, time.perf_counter() - begun, 0, type(error).__name__)
        return
    finally:
        connection.close()
    retry_s = int(answer.headers.get("retry-after", "0")) if answer.status in (429, 503) else 0
    failed = answer.status >= 400 and not retry_s
    seen.note(who, time.perf_counter() - begun, answer.status, "not told when to come again" if failed else "")
    if retry_s:
        time.sleep(min(retry_s, most_wait_s))


Visitor = Callable[[Town, Seen, bytes], None]


@lru_cache(maxsize=1)
def _photo() -> bytes:
    return as_sent(SAMPLES / "child-1.jpg")


def visit(town: Town, visitors: list[Visitor], seconds: float, most: int | None = None) -> Seen:
    """Let visitors come again and again, each in a thread of its own.

    Parameters
    ----------
    town : Town
    visitors : list of callable
    seconds : float
        How long; what is under way then is still waited for.
    most : int, optional
        How often at most, all together.
    """
    seen, photo = Seen(), _photo()
    ends, left, lock = time.monotonic() + seconds, [most], threading.Lock()

    def may_come() -> bool:
        with lock:
            if left[0] is None:
                return True
            left[0] -= 1
            return left[0] >= 0

    def again(visitor: Visitor) -> None:
        while time.monotonic() < ends and may_come():
            visitor(town, seen, photo)

    threads = [threading.Thread(target=again, args=(visitor,)) for visitor in visitors]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return seen
