"""Who comes: families, readers of pages, strangers and a shop's program, each on a connection of its own."""

from __future__ import annotations

import secrets
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from tests.speed.family import as_sent, seconds_to_judgement

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
PATIENCE_S = 120.0
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

    def note(self, who: str, seconds: float, status: int, failed: bool = False) -> None:
        """Note one answer."""
        with self.lock:
            self.answers[f"{who} {status}"] += 1
            if failed:
                self.failed.append(f"{who} {status}")
            elif status < 400:
                self.seconds.setdefault(who, []).append(seconds)


def family(town: Town, seen: Seen, photo: bytes) -> None:
    """Send a photo and wait for its judgement."""
    begun = time.perf_counter()
    try:
        seconds = seconds_to_judgement(town.address, secrets.choice(town.families), "arm", photo, good=True)
        seen.note("family", seconds, 200)
    except (RuntimeError, httpx.HTTPError, AssertionError) as error:
        seen.note("family", time.perf_counter() - begun, 0, failed=True)
        with seen.lock:
            seen.failed[-1] += f" {type(error).__name__}"


def pausing_family(town: Town, seen: Seen, photo: bytes) -> None:
    """Send a photo, wait for its judgement, and take the next one."""
    family(town, seen, photo)
    time.sleep(PAUSE_S)


def page(town: Town, seen: Seen, photo: bytes) -> None:
    """Open a family's page."""
    _ask(town, seen, "page", lambda client: client.get(secrets.choice(town.families)))
    time.sleep(0.2)


def stranger(town: Town, seen: Seen, photo: bytes) -> None:
    """Have a photo measured without a key."""
    _ask(town, seen, "stranger", lambda client: client.post(*_measure(), files={"photos": ("a.jpg", photo)}))


def shop(town: Town, seen: Seen, photo: bytes) -> None:
    """Have a photo measured with a key."""
    shown = {"Authorization": f"Bearer {town.key}"}
    _ask(town, seen, "shop", lambda client: client.post(*_measure(), files={"photos": ("a.jpg", photo)}, headers=shown))


def _measure() -> tuple[str]:
    return ("/api/v1/arm-measurements",)


def _ask(town: Town, seen: Seen, who: str, ask: Callable[[httpx.Client], httpx.Response]) -> None:
    begun = time.perf_counter()
    try:
        # no certificates are read for a plain address: a visitor's share of the processor is none of the service's
        with httpx.Client(base_url=town.address, timeout=PATIENCE_S, verify=False) as client:
            answer = ask(client)
    except httpx.HTTPError:
        seen.note(who, time.perf_counter() - begun, 0, failed=True)
        return
    told = answer.status_code in (429, 503) and int(answer.headers.get("retry-after", "0")) > 0
    seen.note(who, time.perf_counter() - begun, answer.status_code, failed=answer.status_code >= 400 and not told)
    if told:
        time.sleep(min(int(answer.headers["retry-after"]), 5))


Visitor = Callable[[Town, Seen, bytes], None]


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
    seen, photo = Seen(), as_sent(SAMPLES / "child-1.jpg")
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
