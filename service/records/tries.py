"""Counts of tries that all processes share: a storage for the `limits` library in the records' own database.

Who tried is kept as a digest: limits are set by e-mail addresses and by addresses in the network.
"""

from __future__ import annotations

import random
import time

from limits.storage import Storage
from sqlalchemy import case, delete, select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.exc import SQLAlchemyError

from service.records.database import Store
from service.records.tables import Tries
from service.security import digest

CLEARED_ONCE_IN = 50
"""Once in so many tries what has ended is deleted: our choice."""


class SharedCounts(Storage):
    """Counters with an end, in PostgreSQL.

    Parameters
    ----------
    store : Store
    """

    STORAGE_SCHEME = None

    def __init__(self, store: Store) -> None:
        super().__init__()
        self._store = store

    @property
    def base_exceptions(self) -> type[Exception]:
        """What may go wrong."""
        return SQLAlchemyError

    def incr(self, key: str, expiry: int, amount: int = 1) -> int:
        """Count, from one where the last window has ended; the new count."""
        now = time.time()
        fresh = insert(Tries).values(who=digest(key), count=amount, ends=now + expiry)
        ended = Tries.ends <= now
        counted = fresh.on_conflict_do_update(
            index_elements=[Tries.who],
            set_={
                "count": case((ended, amount), else_=Tries.count + amount),
                "ends": case((ended, now + expiry), else_=Tries.ends),
            },
        ).returning(Tries.count)
        with self._store.whole_house() as session:
            if random.randrange(CLEARED_ONCE_IN) == 0:
                session.execute(delete(Tries).where(Tries.ends <= now))
            return session.execute(counted).scalar_one()

    def get(self, key: str) -> int:
        """The count of a window that has not ended."""
        with self._store.whole_house() as session:
            found = select(Tries.count).where(Tries.who == digest(key), Tries.ends > time.time())
            return session.scalars(found).one_or_none() or 0

    def get_expiry(self, key: str) -> float:
        """When the window ends, s since the epoch."""
        with self._store.whole_house() as session:
            return session.scalars(select(Tries.ends).where(Tries.who == digest(key))).one_or_none() or time.time()

    def check(self) -> bool:
        """Whether the database answers."""
        with self._store.whole_house() as session:
            return session.scalar(select(1)) == 1

    def reset(self) -> int | None:
        """Forget every count."""
        with self._store.whole_house() as session:
            session.execute(delete(Tries))
        return None

    def clear(self, key: str) -> None:
        """Forget one count."""
        with self._store.whole_house() as session:
            session.execute(delete(Tries).where(Tries.who == digest(key)))
