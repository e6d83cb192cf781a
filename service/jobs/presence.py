"""Which processes live: each holds a lock in the database that they share, which the database takes back when it dies.

A killed process, a crashed machine and a cut network all end the connection, and with it the lock (PostgreSQL, session
level advisory locks); no clock is compared and no row goes stale.  With SQLite there is one process and nobody else.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, text

from service.records.database import SERVING, Store

KEEPING = 7223012
"""Number of the lock of whoever takes up what nobody works at; our choice."""


class Presence:
    """The running process among those that share the database.

    Parameters
    ----------
    store : Store
    executor_id : str
        What the workflows know this process by.
    """

    def __init__(self, store: Store, executor_id: str) -> None:
        self._store, self.executor_id = store, executor_id
        self._held: Connection | None = None

    def announce(self) -> None:
        """Hold this process's lock; again where the connection was lost."""
        if not self._store.is_shared:
            return
        if self._held is not None:
            try:
                self._held.execute(text("SELECT 1"))
                return
            except Exception:
                self._held.invalidate()
                self._held = None
        held = self._store.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        held.execute(text("SELECT pg_advisory_lock(hashtextextended(:name, 0))"), {"name": self.executor_id})
        held.execute(text(f"SELECT pg_advisory_lock_shared({SERVING})"))
        self._held = held

    def leave(self) -> None:
        """Give the lock back."""
        if self._held is not None:
            self._held.invalidate()  # the connection is closed and not given to somebody else with the lock
            self._held = None

    def lives(self, executor_id: str) -> bool:
        """Whether another process lives."""
        if not self._store.is_shared:
            return executor_id == self.executor_id
        with self._store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            free = connection.execute(
                text("SELECT pg_try_advisory_lock(hashtextextended(:name, 0))"), {"name": executor_id}
            ).scalar()
            if free:
                connection.execute(text("SELECT pg_advisory_unlock(hashtextextended(:name, 0))"), {"name": executor_id})
        return not free

    @contextmanager
    def alone(self) -> Iterator[bool]:
        """Whether this process is the only one in this block; the others pass it by."""
        if not self._store.is_shared:
            yield True
            return
        with self._store.engine.connect() as connection:
            yield bool(connection.execute(text(f"SELECT pg_try_advisory_xact_lock({KEEPING})")).scalar())
            connection.rollback()
