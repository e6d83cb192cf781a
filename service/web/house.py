"""What every page works with, put together once when the service starts."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil
from os import cpu_count

from fastapi import Request
from limits import RateLimitItemPerHour, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import FixedWindowRateLimiter, MovingWindowRateLimiter, RateLimiter

from service.jobs.clock import Clock, SystemClock
from service.jobs.targets import LONGEST_ENDPOINT, TargetRules
from service.jobs.web_push import PushRoom
from service.measuring.admission import Admission, Admitted, Rank
from service.measuring.pool import Measurer
from service.records.database import Store
from service.records.folder import make_private
from service.records.photo_places import Bucket, LocalFolder, PhotoPlace
from service.records.photos import PhotoFolder
from service.records.tries import SharedCounts
from service.security import FACTOR_KEYS, Sealer, Signer, load_secrets
from service.settings import Settings
from service.web.reach import ALL_ADDRESSES, own_addresses, written_host

TENTHS = 10
"""Parts of a second in which work is counted."""


class Limiter:
    """Counts tries: in memory where one process serves (a restart forgives), in the database where several do.

    Parameters
    ----------
    settings : Settings
        Says how many tries each place allows.
    store : Store
        The records.
    """

    def __init__(self, settings: Settings, store: Store) -> None:
        self._limiter: RateLimiter = (
            FixedWindowRateLimiter(SharedCounts(store)) if store.is_shared else MovingWindowRateLimiter(MemoryStorage())
        )
        self._work = FixedWindowRateLimiter(SharedCounts(store) if store.is_shared else MemoryStorage())
        self._work_of_strangers = RateLimitItemPerMinute(settings.stranger_seconds * TENTHS, 10)
        self._rules = {
            "sign-in": RateLimitItemPerMinute(settings.sign_in_tries),
            "sign-in-email": RateLimitItemPerHour(settings.sign_in_tries * 20),
            "sign-in-address": RateLimitItemPerMinute(settings.sign_in_tries * 6),
            "second-factor": RateLimitItemPerMinute(settings.sign_in_tries),
            "second-factor-hour": RateLimitItemPerHour(settings.sign_in_tries * 4),
            "recovery": RateLimitItemPerHour(settings.sign_in_tries * 2),
            "quick": RateLimitItemPerMinute(settings.quick_tries, 10),
            "family": RateLimitItemPerHour(settings.family_tries),
        }

    def allows(self, rule: str, who: str) -> bool:
        """Count one try of `who`; False where there were too many."""
        return self._limiter.hit(self._rules[rule], rule, who)

    def late_s(self, rule: str, who: str, a_minute: int) -> int | None:
        """Count one try of `who`, who has a limit of its own; seconds to wait where there were too many, else None."""
        limit = RateLimitItemPerMinute(a_minute)
        if self._limiter.hit(limit, rule, who):
            return None
        return max(1, ceil(self._limiter.get_window_stats(limit, rule, who).reset_time - time.time()))

    def work_late_s(self, who: str) -> int | None:
        """Seconds to wait where a stranger has caused as much work as it may, else None."""
        if self._work.test(self._work_of_strangers, "work", who):
            return None
        ends = self._work.get_window_stats(self._work_of_strangers, "work", who).reset_time
        return max(1, ceil(ends - time.time()))

    def work_done(self, who: str, seconds: float) -> None:
        """Count work that a stranger caused, whatever its photos cost."""
        self._work.hit(self._work_of_strangers, "work", who, cost=max(1, ceil(seconds * TENTHS)))

    def retry_after_s(self, rule: str, who: str) -> int:
        """Seconds until `who` may try again."""
        ends = self._limiter.get_window_stats(self._rules[rule], rule, who).reset_time
        return max(1, ceil(ends - time.time()))


@dataclass(frozen=True)
class House:
    """The parts of the running service."""

    settings: Settings
    store: Store
    photos: PhotoFolder
    signer: Signer
    factor_keys: Sealer
    """Seals the keys of second factors."""
    push: PushRoom | None
    """How browsers are told that photos have arrived; None where the settings offer it to nobody."""
    limiter: Limiter
    clock: Clock
    admission: Admission
    measuring: Mapping[Rank, Measurer]
    """Measuring processes behind the line, for each rank of those who ask."""
    closing: threading.Event
    """Set when the service is asked to stop: nobody is kept waiting any more."""

    @property
    def pool(self) -> Measurer:
        """Measuring for those who are known: families and teachers."""
        return self.measuring[Rank.KNOWN]


def open_house(settings: Settings, pool: Measurer, clock: Clock | None = None) -> House:
    """Open the data folder (made on first use) and bring its tables up to date."""
    make_private(settings.data_folder)
    clock = clock or SystemClock()
    secrets = load_secrets(settings.secret_file, clock.now().date())
    store = Store(settings.database)
    try:
        store.migrate()
        store.check_secret(*secrets.marks)
    except Exception:
        store.close()
        raise
    signer = Signer(secrets)
    rules = TargetRules(settings.webhooks_private, longest=LONGEST_ENDPOINT)
    admission = Admission(settings.workers or cpu_count() or 1)
    return House(
        settings=settings,
        store=store,
        photos=PhotoFolder(photo_place(settings), secrets, is_shared=store.is_shared),
        signer=signer,
        factor_keys=Sealer(secrets, FACTOR_KEYS),
        push=PushRoom(settings.push_contact, signer.push_keys(), rules) if settings.push_contact else None,
        limiter=Limiter(settings, store),
        clock=clock,
        admission=admission,
        measuring={rank: Admitted(pool, admission, rank) for rank in Rank},
        closing=threading.Event(),
    )


def photo_place(settings: Settings) -> PhotoPlace:
    """Where sealed photos lie."""
    return Bucket(settings.photos_url) if settings.photos_url else LocalFolder(settings.photo_folder)


def own_address(settings: Settings) -> str:
    """Address of the service as it knows it itself: where it listens on every address, the one in its network."""
    if settings.public_url:
        return settings.public_url.rstrip("/")
    host = settings.host
    if host in ALL_ADDRESSES:
        host = next(iter(own_addresses()), "localhost")
    scheme = "https" if settings.certificate_file else "http"
    return f"{scheme}://{written_host(host)}:{settings.port}"


def base_url(request: Request, settings: Settings) -> str:
    """Address for links: the public one, or that of the request where its name is one that we know.

    Whoever sends a request chooses its Host header; a link made from it would lead wherever they like.  A name that
    opens on this machine only is left where the service knows a better one.
    """
    named = request.url.hostname or ""
    own = {"localhost", "127.0.0.1", "::1"}
    if settings.host in ALL_ADDRESSES:
        own = set(own_addresses())
    known = (own | {settings.host, *settings.allowed_hosts.replace(" ", "").split(",")}) - set(ALL_ADDRESSES)
    if settings.public_url or named not in known:
        return own_address(settings)
    return str(request.base_url).rstrip("/")


async def house(request: Request) -> House:
    """Give a page the parts of the service it is served by; on the loop, since a thread for it would take longer."""
    parts: House = request.app.state.house
    return parts
