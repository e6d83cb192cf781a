"""Photos at rest: one encrypted file each, bound to its name, written whole or not at all.

Three kinds belong to an upload: the photo as it came (needed to look at again after a correction), the copy on which
points are moved (face blurred, no metadata; of a film the one frame that is drawn on) and the picture with what was
measured drawn on it.  The first two go together, once no point is moved any more.  What was seen in a photo under
review lies beside them in memory (`service.measuring.sights`) and is forgotten whenever one of its files
is deleted; where several machines serve, it also lies sealed beside the photo, so that any of them answers a moved
point.  So does, for some minutes, the picture of a refused photo with its fault marked (`service.records.refused`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

from service.measuring.sights import Sights
from service.records.photo_places import PhotoPlace
from service.records.refused import KEPT_S, RefusedPictures
from service.security import Sealer, Secrets

MOST_VIEWS = 5
"""Photos that may be sent as one; more add little: their errors have much in common (`service.measuring`)."""
ORIGINAL, VIEW, OVERLAY = "original", "view", "overlay"
ORIGINALS = (ORIGINAL, *(f"{ORIGINAL}{number}" for number in range(2, MOST_VIEWS + 1)))
"""The photos as they came, where several were sent as one."""
VIEWS = (VIEW, *(f"{VIEW}{number}" for number in range(2, MOST_VIEWS + 1)))
"""The copies of the same on which points are moved."""
FOR_MOVING = (*ORIGINALS, *VIEWS)
"""What goes as soon as no point is moved any more."""
STRAY_AFTER = timedelta(hours=1)
"""What belongs to nothing after so long, a photo without a row or half of one, never will: an upload takes seconds."""
SIGHT, REFUSED = "sight", "refused"
KINDS = (*FOR_MOVING, OVERLAY, SIGHT, REFUSED)


def machine_time() -> datetime:
    """Now, as files and objects are dated."""
    return datetime.now(UTC)


class PhotoFolder:
    """Encrypted photos.

    Parameters
    ----------
    place : PhotoPlace
        Where they lie.
    secrets : Secrets
        The service's, from which the key is derived.
    is_shared : bool
        Whether other processes, too, answer for these photos.
    now : callable
        What tells the time by which pictures of refused photos go.
    """

    def __init__(
        self,
        place: PhotoPlace,
        secrets: Secrets,
        is_shared: bool = False,
        now: Callable[[], datetime] = machine_time,
    ) -> None:
        self._place = place
        self._is_shared = is_shared
        self._now = now
        self._sealer = Sealer(secrets, "photos")
        self.sights = Sights()
        self._refused = RefusedPictures(now=lambda: now().timestamp())

    def _name(self, upload_id: str, kind: str) -> str:
        if kind not in KINDS or not upload_id.isalnum():
            raise ValueError("no such photo")
        return f"{upload_id}.{kind}"

    def put(self, upload_id: str, kind: str, content: bytes) -> None:
        """Keep a photo; on return it is certain to be there."""
        name = self._name(upload_id, kind)
        self._place.put(name, self._sealer.seal(name, content))

    def get(self, upload_id: str, kind: str) -> bytes | None:
        """The photo, or None where it is not kept (any more) or was tampered with."""
        name = self._name(upload_id, kind)
        sealed = self._place.get(name)
        return None if sealed is None else self._sealer.open(name, sealed)

    def put_originals(self, upload_id: str, contents: Sequence[bytes]) -> None:
        """Keep the photos that were sent as one; on return they are certain to be there.

        Raises
        ------
        ValueError
            If there are none, or more than `MOST_VIEWS`.
        """
        if not 1 <= len(contents) <= MOST_VIEWS:
            raise ValueError(f"photos sent as one are 1 to {MOST_VIEWS}, not {len(contents)}")
        for kind, content in zip(ORIGINALS, contents, strict=False):
            self.put(upload_id, kind, content)

    def originals(self, upload_id: str) -> list[bytes]:
        """The photos as they came, those that are kept."""
        found = (self.get(upload_id, kind) for kind in ORIGINALS)
        return [content for content in found if content is not None]

    def delete(self, upload_id: str, *kinds: str) -> None:
        """Delete an upload's photos, all kinds unless some are named; deleting twice is no error."""
        for kind in {*kinds, SIGHT} if kinds else KINDS:
            if kind not in (SIGHT, REFUSED) or self._is_shared:
                self._place.delete(self._name(upload_id, kind))
        self.sights.forget(upload_id)
        if not kinds:
            self._refused.forget(upload_id)

    def show_refused(self, upload_id: str, picture: bytes) -> None:
        """Keep for some minutes what a refused photo is shown as: in memory, or sealed where others answer as well."""
        if self._is_shared:
            self.put(upload_id, REFUSED, f"{self._now().timestamp() + KEPT_S:.0f}\n".encode() + picture)
        else:
            self._refused.put(upload_id, picture)

    def refused_picture(self, upload_id: str) -> bytes | None:
        """What a refused photo is shown as; None where its minutes are over or there never was one."""
        if not self._is_shared:
            return self._refused.get(upload_id)
        kept = self.get(upload_id, REFUSED)
        if kept is None:
            return None
        ends, _, picture = kept.partition(b"\n")
        return picture if int(ends) > self._now().timestamp() else None

    def forget_refused(self) -> None:
        """Delete the pictures of refused photos whose minutes are over."""
        self._refused.forget_old()
        if self._is_shared:
            for name in list(self._place.names(self._now() - timedelta(seconds=KEPT_S))):
                if name.endswith(f".{REFUSED}"):
                    self._place.delete(name)

    def share_sight(self, upload_id: str, known: str, sight: bytes) -> None:
        """Lay what was seen in a photo beside it for other machines, where there are any and the photo is still kept.

        Parameters
        ----------
        upload_id : str
        known : str
            What is said of the sheet; another word asks for another look.
        sight : bytes
        """
        if not self._is_shared:
            return
        self.put(upload_id, SIGHT, f"{known}\n".encode() + sight)
        if not self.has(upload_id, ORIGINAL):  # asked after keeping, so that a deletion in between is not missed
            self._place.delete(self._name(upload_id, SIGHT))

    def shared_sight(self, upload_id: str, known: str) -> bytes | None:
        """What another machine saw in a photo; None where none did."""
        kept = self.get(upload_id, SIGHT) if self._is_shared else None
        if kept is None:
            return None
        said, _, sight = kept.partition(b"\n")
        return sight if said == known.encode() and self.has(upload_id, ORIGINAL) else None

    def has(self, upload_id: str, kind: str) -> bool:
        """Whether a photo is kept."""
        return self._place.has(self._name(upload_id, kind))

    def kept(self, before: datetime) -> set[str]:
        """Identities of the uploads of which some photo is kept since before a moment."""
        return {name.partition(".")[0] for name in self._place.names(before)}

    def count_readable(self) -> tuple[int, int]:
        """How many photos are kept that the secret opens, and how many that it does not."""
        counts = [0, 0]
        for name in self._place.names(machine_time() + timedelta(days=1)):
            sealed = self._place.get(name)
            if sealed is not None:
                counts[self._sealer.open(name, sealed) is None] += 1
        return counts[0], counts[1]

    def reseal(self) -> tuple[int, int]:
        """Seal with the present secret whatever the former one sealed.

        Returns
        -------
        tuple of int
            How many were sealed anew, and how many no secret opens.
        """
        anew = unreadable = 0
        for name in list(self._place.names(machine_time() + timedelta(days=1))):
            sealed = self._place.get(name)
            if sealed is None or self._sealer.is_present(name, sealed):
                continue
            content = self._sealer.open(name, sealed)
            if content is None:
                unreadable += 1
            else:
                self._place.put(name, self._sealer.seal(name, content))
                anew += 1
        return anew, unreadable

    def sweep_halves(self, older: timedelta = STRAY_AFTER) -> None:
        """Delete what a killed process left half written; what is younger somebody may be writing just now."""
        self._place.sweep(machine_time() - older)
