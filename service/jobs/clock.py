"""What time it is: the machine's clock, or one that a test sets forward."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Says what time it is; a test's clock can be set forward."""

    def now(self) -> datetime:
        """The moment, in UTC."""


class SystemClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """The moment, in UTC."""
        return datetime.now(UTC)
