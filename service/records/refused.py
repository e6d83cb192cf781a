"""Pictures of refused photos with the fault marked: for some minutes, for the family that sent them.

The photo itself is deleted the moment it is refused.  This picture goes with everything else when a family deletes what
it sent.  Where one process serves it is in memory alone and gone when the service stops; where several do, the one that
measured is not the one that is asked, so that it lies sealed beside the photos (`service.records.photos`).
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable

KEPT_S = 15 * 60.0
"""How long one is kept, s; our choice, longer than a family looks at one page."""
MOST_KEPT = 64
"""How many are kept at once; our choice: some 10 MB."""


class RefusedPictures:
    """Pictures by the upload they belong to.

    Parameters
    ----------
    kept_s : float
        Seconds after which a picture is dropped.
    most : int
        How many are kept at once; the oldest goes first.
    now : callable
        What tells the time, s.
    """

    def __init__(
        self, kept_s: float = KEPT_S, most: int = MOST_KEPT, now: Callable[[], float] = time.monotonic
    ) -> None:
        self._kept_s, self._most, self._now = kept_s, most, now
        self._kept: OrderedDict[str, tuple[float, bytes]] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, upload_id: str, picture: bytes) -> None:
        """Keep a picture for a while."""
        with self._lock:
            self._kept.pop(upload_id, None)  # so that the first one is always the oldest
            self._kept[upload_id] = (self._now() + self._kept_s, picture)
            self._drop_old()

    def get(self, upload_id: str) -> bytes | None:
        """The picture, None where there is none (any more)."""
        with self._lock:
            self._drop_old()
            found = self._kept.get(upload_id)
        return found[1] if found is not None else None

    def forget(self, upload_id: str) -> None:
        """Drop a picture."""
        with self._lock:
            self._kept.pop(upload_id, None)

    def forget_old(self) -> None:
        """Drop the pictures whose time is over; they are not shown any more, but are still in memory."""
        with self._lock:
            self._drop_old()

    def _drop_old(self) -> None:
        while self._kept and (len(self._kept) > self._most or next(iter(self._kept.values()))[0] <= self._now()):
            self._kept.popitem(last=False)
