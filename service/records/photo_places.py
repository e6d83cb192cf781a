"""Where sealed photos lie: in a local folder, or in an object store that several machines share.

What is handed over here is already encrypted; a place is asked to keep bytes under a name, whole or not at all.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Protocol

from service.security import HALF, PRIVATE_FOLDER, write_private


class PhotoPlace(Protocol):
    """A place for bytes."""

    def put(self, name: str, content: bytes) -> None:
        """Keep bytes; on return they are certain to be there."""

    def get(self, name: str) -> bytes | None:
        """Bytes of a name; None where there are none."""

    def delete(self, name: str) -> None:
        """Delete; twice is no error."""

    def has(self, name: str) -> bool:
        """Whether there is something of this name."""

    def names(self, before: datetime) -> Iterator[str]:
        """Names of what was put before a moment."""

    def sweep(self, before: datetime) -> None:
        """Delete what a killed process left half written before a moment."""


class LocalFolder:
    """A folder of this machine.

    Parameters
    ----------
    folder : Path
        Made where it does not exist.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
        self._folder = folder

    def put(self, name: str, content: bytes) -> None:
        """Write a file, whole or not at all."""
        write_private(self._folder / name, content)

    def get(self, name: str) -> bytes | None:
        """Bytes of a file; None where there is none."""
        try:
            return (self._folder / name).read_bytes()
        except FileNotFoundError:
            return None

    def delete(self, name: str) -> None:
        """Delete a file."""
        (self._folder / name).unlink(missing_ok=True)

    def has(self, name: str) -> bool:
        """Whether there is such a file."""
        return (self._folder / name).exists()

    def names(self, before: datetime) -> Iterator[str]:
        """Names of files that were written before a moment, whole ones only."""
        limit = before.timestamp()
        for file in self._folder.iterdir():
            with suppress(FileNotFoundError):  # deleted meanwhile
                if file.suffix != HALF and file.stat().st_mtime < limit:
                    yield file.name

    def sweep(self, before: datetime) -> None:
        """Delete what a killed process left half written before a moment."""
        for half in self._folder.glob(f"*{HALF}"):
            with suppress(FileNotFoundError):  # whole meanwhile, or swept by another process
                if half.stat().st_mtime < before.timestamp():
                    half.unlink()


class Bucket:
    """An object store by its address, such as ``s3://bucket/folder``, ``gs://bucket`` or ``az://container``.

    Credentials and, where it is not the provider's own, the endpoint come from the environment, as the provider's tools
    read them (``AWS_ENDPOINT_URL`` and so on).

    Parameters
    ----------
    address : str
    """

    def __init__(self, address: str) -> None:
        from obstore.store import from_url

        plain = os.environ.get("AWS_ENDPOINT_URL", "").startswith("http://")
        self._store = from_url(address, client_options={"allow_http": plain})

    def put(self, name: str, content: bytes) -> None:
        """Put an object: object stores show it whole or not at all."""
        self._store.put(name, content)

    def get(self, name: str) -> bytes | None:
        """Bytes of an object; None where there is none."""
        try:
            return bytes(self._store.get(name).bytes())
        except FileNotFoundError:
            return None

    def delete(self, name: str) -> None:
        """Delete an object."""
        try:
            self._store.delete(name)
        except FileNotFoundError:
            return

    def has(self, name: str) -> bool:
        """Whether there is such an object."""
        try:
            self._store.head(name)
        except FileNotFoundError:
            return False
        return True

    def names(self, before: datetime) -> Iterator[str]:
        """Names of objects that were put before a moment."""
        for page in self._store.list():
            yield from (each["path"] for each in page if each["last_modified"] < before)

    def sweep(self, before: datetime) -> None:
        """Nothing is ever half written."""
