"""What durable work is done with: one set of tools for the running service."""

from __future__ import annotations

from dataclasses import dataclass

from service.jobs.clock import Clock
from service.jobs.mail import MailRoom
from service.jobs.web_push import PushRoom
from service.measuring.pool import Measurer
from service.records.database import Store
from service.records.photos import PhotoFolder


@dataclass(frozen=True)
class Workshop:
    """What the workflows work with."""

    store: Store
    photos: PhotoFolder
    pool: Measurer
    clock: Clock
    review: bool
    role: str = "all"
    places: int = 1
    mail: MailRoom | None = None
    push: PushRoom | None = None


_workshop: Workshop | None = None


def open_workshop(workshop: Workshop | None) -> None:
    """Hand the workflows their tools; None when the service stops."""
    global _workshop
    _workshop = workshop


def workshop() -> Workshop:
    """The tools of the running service.

    Raises
    ------
    RuntimeError
        If the service is not running.
    """
    if _workshop is None:
        raise RuntimeError("the service is not running")
    return _workshop
