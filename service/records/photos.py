"""Photos at rest: one encrypted file each, bound to its name, written whole or not at all.

The cipher is AES-256-GCM (NIST SP 800-38D); the file's name is authenticated with it, so files cannot be swapped.

Three kinds belong to an upload: the photo as it came (needed to measure again after a correction), the copy that is
shown (face blurred, no metadata) and the picture with what was measured drawn on it.  What was seen in a photo under
review lies beside them in memory (`service.measuring.sights`) and is forgotten whenever one of its files is deleted.
"""

from __future__ import annotations

import os
import secrets
from datetime import datetime
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from service.measuring.sights import Sights
from service.security import derived_key

ORIGINAL, VIEW, OVERLAY = "original", "view", "overlay"
KINDS = (ORIGINAL, VIEW, OVERLAY)
NONCE_BYTES = 12
"""What the cipher asks for (NIST SP 800-38D, 5.2.1.1)."""


class PhotoFolder:
    """Encrypted photos in a local folder.

    Parameters
    ----------
    folder : Path
        Where the files lie; made where it does not exist.
    secret : bytes
        The service's secret, from which the key is derived.
    """

    def __init__(self, folder: Path, secret: bytes) -> None:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._folder = folder
        self._cipher = AESGCM(derived_key(secret, "photos"))
        self.sights = Sights()

    def _file(self, upload_id: str, kind: str) -> Path:
        if kind not in KINDS or not upload_id.isalnum():
            raise ValueError("no such photo")
        return self._folder / f"{upload_id}.{kind}"

    def put(self, upload_id: str, kind: str, content: bytes) -> None:
        """Keep a photo; on return it is on the disk."""
        file = self._file(upload_id, kind)
        nonce = secrets.token_bytes(NONCE_BYTES)
        sealed = nonce + self._cipher.encrypt(nonce, content, file.name.encode())
        half = file.with_name(f"{file.name}.{secrets.token_hex(4)}.half")
        handle = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as out:
            out.write(sealed)
            out.flush()
            os.fsync(out.fileno())
        half.replace(file)

    def get(self, upload_id: str, kind: str) -> bytes | None:
        """The photo, or None where it is not kept (any more) or was tampered with."""
        file = self._file(upload_id, kind)
        try:
            sealed = file.read_bytes()
            return self._cipher.decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], file.name.encode())
        except (FileNotFoundError, InvalidTag, ValueError):
            return None

    def delete(self, upload_id: str, *kinds: str) -> None:
        """Delete an upload's photos, all kinds unless some are named; deleting twice is no error."""
        for kind in kinds or KINDS:
            self._file(upload_id, kind).unlink(missing_ok=True)
        self.sights.forget(upload_id)

    def has(self, upload_id: str, kind: str) -> bool:
        """Whether a photo is kept."""
        return self._file(upload_id, kind).exists()

    def kept(self, before: datetime) -> set[str]:
        """Identities of the uploads of which some photo is kept since before a moment."""
        limit = before.timestamp()
        return {file.name.partition(".")[0] for file in self._folder.iterdir() if file.stat().st_mtime < limit}

    def sweep_halves(self) -> None:
        """Delete what a killed process left half written."""
        for half in self._folder.glob("*.half"):
            half.unlink(missing_ok=True)
