"""Photos at rest: one encrypted file each, bound to its name, written whole or not at all.

The cipher is AES-256-GCM (NIST SP 800-38D); the file's name is authenticated with it, so files cannot be swapped.

Three kinds belong to an upload: the photo as it came (needed to measure again after a correction), the copy that is
shown (face blurred, no metadata) and the picture with what was measured drawn on it.  What was seen in a photo under
review lies beside them in memory (`service.measuring.sights`) and is forgotten whenever one of its files is deleted.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from service.measuring.sights import Sights
from service.records.keeping import Keeping
from service.records.refused import RefusedPictures
from service.security import derived_key

MOST_VIEWS = 5
"""Photos that may be sent as one; more add little: their errors have much in common (`service.measuring`)."""
ORIGINAL, VIEW, OVERLAY = "original", "view", "overlay"
ORIGINALS = (ORIGINAL, *(f"{ORIGINAL}{number}" for number in range(2, MOST_VIEWS + 1)))
"""The photos as they came, where several were sent as one."""
KINDS = (*ORIGINALS, VIEW, OVERLAY)
NONCE_BYTES = 12
"""What the cipher asks for (NIST SP 800-38D, 5.2.1.1)."""


class PhotoFolder:
    """Encrypted photos.

    Parameters
    ----------
    keeping : Keeping
        Where they lie.
    secret : bytes
        The service's secret, from which the key is derived.
    """

    def __init__(self, keeping: Keeping, secret: bytes) -> None:
        self._keeping = keeping
        self._cipher = AESGCM(derived_key(secret, "photos"))
        self.sights = Sights()
        self.refused = RefusedPictures()

    def _name(self, upload_id: str, kind: str) -> str:
        if kind not in KINDS or not upload_id.isalnum():
            raise ValueError("no such photo")
        return f"{upload_id}.{kind}"

    def put(self, upload_id: str, kind: str, content: bytes) -> None:
        """Keep a photo; on return it is certain to be there."""
        name = self._name(upload_id, kind)
        nonce = secrets.token_bytes(NONCE_BYTES)
        self._keeping.put(name, nonce + self._cipher.encrypt(nonce, content, name.encode()))

    def get(self, upload_id: str, kind: str) -> bytes | None:
        """The photo, or None where it is not kept (any more) or was tampered with."""
        name = self._name(upload_id, kind)
        sealed = self._keeping.get(name)
        if sealed is None:
            return None
        try:
            return self._cipher.decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], name.encode())
        except (InvalidTag, ValueError):
            return None

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
        for kind in kinds or KINDS:
            self._keeping.delete(self._name(upload_id, kind))
        self.sights.forget(upload_id)
        if not kinds:
            self.refused.forget(upload_id)

    def has(self, upload_id: str, kind: str) -> bool:
        """Whether a photo is kept."""
        return self._keeping.has(self._name(upload_id, kind))

    def kept(self, before: datetime) -> set[str]:
        """Identities of the uploads of which some photo is kept since before a moment."""
        return {name.partition(".")[0] for name in self._keeping.names(before)}

    def sweep_halves(self) -> None:
        """Delete what a killed process left half written."""
        self._keeping.sweep()
