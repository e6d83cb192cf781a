"""What every page works with, put together once when the service starts."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

from fastapi import Request
from limits import RateLimitItemPerHour, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from service.jobs.clock import Clock, SystemClock
from service.measuring.pool import Measurer
from service.records.database import Store
from service.records.photos import PhotoFolder
from service.security import Signer, load_or_make_secret
from service.settings import Settings

PROGRAM_VERSION = version("scrollreach")


class Limiter:
    """Counts tries in moving windows, in memory: a restart forgives.

    Parameters
    ----------
    settings : Settings
        Says how many tries each place allows.
    """

    def __init__(self, settings: Settings) -> None:
        self._limiter = MovingWindowRateLimiter(MemoryStorage())
        self._rules = {
            "sign-in": RateLimitItemPerMinute(settings.sign_in_tries),
            "sign-in-address": RateLimitItemPerMinute(settings.sign_in_tries * 6),
            "quick": RateLimitItemPerMinute(settings.quick_tries, 10),
            "family": RateLimitItemPerHour(settings.family_tries),
        }

    def allows(self, rule: str, who: str) -> bool:
        """Count one try of `who`; False where there were too many."""
        return self._limiter.hit(self._rules[rule], rule, who)


@dataclass(frozen=True)
class House:
    """The parts of the running service."""

    settings: Settings
    store: Store
    photos: PhotoFolder
    signer: Signer
    limiter: Limiter
    clock: Clock
    pool: Measurer


def open_house(settings: Settings, pool: Measurer, clock: Clock | None = None) -> House:
    """Open the data folder (made on first use) and bring its tables up to date."""
    settings.data_folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    secret = load_or_make_secret(settings.secret_file)
    store = Store(settings.database_file)
    store.migrate()
    return House(
        settings=settings,
        store=store,
        photos=PhotoFolder(settings.photo_folder, secret),
        signer=Signer(secret),
        limiter=Limiter(settings),
        clock=clock or SystemClock(),
        pool=pool,
    )


def house(request: Request) -> House:
    """Give a page the parts of the service it is served by."""
    parts: House = request.app.state.house
    return parts
