"""Column types and the parts that every table shares."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, ForeignKey, String
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator


class Moment(TypeDecorator[datetime]):
    """A moment in UTC; SQLite keeps no zone, so it is taken off going in and put back coming out."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Take the zone off."""
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Put the zone back."""
        return None if value is None else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """Base of every table."""

    type_annotation_map = {datetime: Moment, dict[str, Any]: JSON}  # noqa: RUF012


def fresh_id() -> str:
    """A random identity of 122 bits: rows cannot be guessed one from another."""
    return uuid.uuid4().hex


class Row(Base):
    """A table whose rows have a random identity."""

    __abstract__ = True

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=fresh_id)


class StudioRow(Row):
    """A table each of whose rows belongs to one studio; sessions opened for a studio see no other's."""

    __abstract__ = True

    studio_id: Mapped[str] = mapped_column(ForeignKey("studio.id", ondelete="CASCADE"), index=True)
