"""What was seen in a photo, kept in memory for some minutes, so that a moved point needs no second look at the photo.

Looking finds sheets, camera, person or instrument and takes most of the time; solving turns what was seen into lengths.
A sight is made in a worker and is bytes to everybody else.  It holds places in the picture and the camera, no pixel of
the photo, is never written to the disk, and is forgotten together with the photo it was seen in.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable

KEPT_S = 15 * 60.0
"""How long a sight is kept, s; our choice, longer than a teacher looks at one photo."""
MOST_KEPT = 32
"""Sights kept at once; our choice."""

Key = tuple[str, Hashable]


class Sights:
    """Sights of the photos that are being reviewed.

    Parameters
    ----------
    kept_s : float
        Seconds after which a sight is dropped.
    most : int
        How many are kept at once; the one unused for longest goes first.
    """

    def __init__(self, kept_s: float = KEPT_S, most: int = MOST_KEPT) -> None:
        self._kept_s, self._most = kept_s, most
        self._kept: OrderedDict[Key, bytes] = OrderedDict()
        self._looking: dict[Key, asyncio.Task[bytes | None]] = {}

    async def of(
        self,
        upload_id: str,
        known: Hashable,
        look: Callable[[], Awaitable[bytes | None]],
        is_kept: Callable[[], bool],
    ) -> bytes | None:
        """The sight of an upload's photo, looked at now unless it is known or somebody is looking already.

        Parameters
        ----------
        upload_id : str
        known : hashable
            What is said of the sheet; another word asks for another look.
        look : callable
            Looks at the photo; gives None where that failed.
        is_kept : callable
            Whether the photo still exists: what was seen in a photo that is deleted meanwhile is not kept.
        """
        key = upload_id, known
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        if key not in self._looking:
            task = asyncio.ensure_future(self._look(key, look, is_kept))
            self._looking[key] = task
            task.add_done_callback(lambda _: self._looking.pop(key, None))
        return await asyncio.shield(self._looking[key])

    async def _look(
        self, key: Key, look: Callable[[], Awaitable[bytes | None]], is_kept: Callable[[], bool]
    ) -> bytes | None:
        sight = await look()
        if sight is not None:
            self._kept[key] = sight
            asyncio.get_running_loop().call_later(self._kept_s, self._drop, key, sight)
            if not await asyncio.to_thread(is_kept):  # asked after keeping, so that a deletion in between is not missed
                self.forget(key[0])
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return sight

    def forget(self, upload_id: str) -> None:
        """Drop what was seen in an upload's photo."""
        for key in [key for key in self._kept if key[0] == upload_id]:
            self._kept.pop(key, None)

    def _drop(self, key: Key, sight: bytes) -> None:
        if self._kept.get(key) is sight:
            self._kept.pop(key, None)

    def __len__(self) -> int:
        return len(self._kept)
