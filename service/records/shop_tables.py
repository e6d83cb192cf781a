"""The tables of a shop: what is lent out, which orders wait, what a program was answered, who is told of what."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.records.columns import StudioRow

LONGEST_REFERENCE = 60
"""Letters of a shop's own number for an order; our choice."""


class Loan(StudioRow):
    """An instrument of the shelf in somebody's hands, until it is returned."""

    __tablename__ = "loan"

    instrument_id: Mapped[str] = mapped_column(ForeignKey("instrument.id", ondelete="CASCADE"), index=True)
    borrower: Mapped[str] = mapped_column(String(60))
    lent_on: Mapped[date]
    due_on: Mapped[date | None]
    returned_on: Mapped[date | None]


class OpenOrder(StudioRow):
    """An arm for which the shop has promised an instrument; open until it is closed."""

    __tablename__ = "open_order"

    reference: Mapped[str] = mapped_column(String(LONGEST_REFERENCE))
    """The shop's own number for it; no name of a child."""
    key_id: Mapped[str | None] = mapped_column(String(32))
    """The key that it was kept with; None where that was not noted yet."""
    arm: Mapped[dict[str, Any]]
    growth_mm: Mapped[float]
    suiting: Mapped[list[str]] = mapped_column(JSON)
    """Instruments of the shelf that suit it, as last checked, the best first."""
    created_at: Mapped[datetime]
    checked_at: Mapped[datetime | None]
    closed_at: Mapped[datetime | None]


class ShopJob(StudioRow):
    """Work that takes longer than an answer may, with how far it has come."""

    __tablename__ = "shop_job"

    kind: Mapped[str] = mapped_column(String(16))
    state: Mapped[str] = mapped_column(String(12), index=True)
    total: Mapped[int]
    done: Mapped[int]
    found: Mapped[int]
    """Orders for which something suits."""
    after: Mapped[str | None] = mapped_column(String(32))
    """The order that was checked last; they are taken in the order of their identities."""
    created_at: Mapped[datetime]
    touched_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]


class Webhook(StudioRow):
    """An address that is told of what happens; its secret is derived and not kept."""

    __tablename__ = "webhook"

    url: Mapped[str] = mapped_column(String(500))
    events: Mapped[str] = mapped_column(String(200))
    """Which events, with spaces between."""
    created_at: Mapped[datetime]
    failing_since: Mapped[datetime | None]
    disabled_at: Mapped[datetime | None]


class Delivery(StudioRow):
    """One event on its way to one address; the payload holds identities only."""

    __tablename__ = "delivery"

    webhook_id: Mapped[str] = mapped_column(ForeignKey("webhook.id", ondelete="CASCADE"), index=True)
    event: Mapped[str] = mapped_column(String(40))
    about: Mapped[dict[str, Any]]
    created_at: Mapped[datetime]
    state: Mapped[str] = mapped_column(String(12), index=True)
    tries: Mapped[int]
    next_try_at: Mapped[datetime | None] = mapped_column(index=True)
    status: Mapped[int | None]
    """What the address answered last; None where it did not."""
    fault: Mapped[str | None] = mapped_column(String(40))


class KeptAnswer(StudioRow):
    """What a request with an idempotency key was answered, for the same request sent once more."""

    __tablename__ = "kept_answer"
    __table_args__ = (UniqueConstraint("studio_id", "key_digest"),)

    key_digest: Mapped[str] = mapped_column(String(64))
    question_digest: Mapped[str] = mapped_column(String(64))
    status: Mapped[int]
    location: Mapped[str | None] = mapped_column(String(200))
    body: Mapped[str] = mapped_column(Text)
    expires_at: Mapped[datetime] = mapped_column(index=True)


WAITING, RUNNING, DONE = "waiting", "running", "done"
DELIVERED, GIVEN_UP = "delivered", "given_up"
