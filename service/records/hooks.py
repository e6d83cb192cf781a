"""What is told to whom: events become deliveries in the transaction in which they happen, so none is lost or invented.

An event holds identities only; whoever is told asks for the rest with a key.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.shop_tables import WAITING, Delivery, Webhook


class Event(StrEnum):
    """What a webhook may be told of."""

    ORDER_SUITED = "order.suited"
    """An instrument of the shelf suits an open order that it did not suit, or was not there for, before."""
    CHECK_FINISHED = "check.finished"
    TEST = "test"


def tell(records: Session, studio_id: str, event: Event, about: dict[str, Any], now: datetime) -> list[str]:
    """Put an event on its way to everybody who wants it; the identities of the deliveries."""
    wanted = records.scalars(select(Webhook).where(Webhook.studio_id == studio_id, Webhook.disabled_at.is_(None)))
    return [tell_one(records, each, event, about, now).id for each in wanted if event.value in each.events.split()]


def tell_one(records: Session, hook: Webhook, event: Event, about: dict[str, Any], now: datetime) -> Delivery:
    """Put an event on its way to one address."""
    delivery = Delivery(
        studio_id=hook.studio_id,
        webhook_id=hook.id,
        event=event.value,
        about=about,
        created_at=now,
        state=WAITING,
        tries=0,
        next_try_at=now,
        status=None,
        fault=None,
    )
    records.add(delivery)
    records.flush()
    return delivery
