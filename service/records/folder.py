"""The data folder: its owner's alone, one service at a time, and in one sentence what is wrong with it."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from service.security import PRIVATE_FILE, PRIVATE_FOLDER

LOCK = "lock"


class FolderError(Exception):
    """Raised where data cannot be kept or read; its text is a sentence for whoever runs the service."""


def make_private(folder: Path) -> None:
    """Make a folder that only its owner reads, with everything in it; whatever it was before.

    Raises
    ------
    FolderError
        If that cannot be done.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
        folder.chmod(PRIVATE_FOLDER)
        for file in folder.iterdir():
            if file.is_file() and not file.is_symlink():
                file.chmod(PRIVATE_FILE)
    except OSError as error:
        raise FolderError(f"Cannot keep data in {folder}: {error.strerror}.") from None


class FolderLock:
    """Held by the service that works on a folder; the system takes it back when the process ends, however it ends.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._handle: int | None = None

    def take(self) -> None:
        """Take the lock.

        Raises
        ------
        FolderError
            If another service has it.
        """
        self._handle = os.open(self._folder / LOCK, os.O_RDWR | os.O_CREAT, PRIVATE_FILE)
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self.release()
            raise FolderError(f"Another service already works on {self._folder}; stop it first.") from None

    def release(self) -> None:
        """Give the lock back."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
