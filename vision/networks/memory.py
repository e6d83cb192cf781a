"""Memory that a process need not hold, given back: on Linux with the GNU C library; elsewhere nothing is done.

What is shared with other processes, or read again from a file at need, is let go of; numbers do not change.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress
from pathlib import Path

_MAPS = Path("/proc/self/maps")
_MADV_DONTNEED = 4
_M_MMAP_THRESHOLD = -3
_LARGE_BYTES = 16 * 2**20
"""From this size on memory is asked of the system by itself, and so goes back as soon as it is freed: a decoded photo
or a copy, but nothing that is asked for so often that its pages would be waited for; our choice."""


def keep_large_apart() -> None:
    """Ask the system for large pieces of memory one by one; the library would keep the first ones for later."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, _LARGE_BYTES)


def give_back_freed() -> None:
    """Give back what was freed in between, as after loading, which needs more than what it leaves."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def let_go_of_file(name: str) -> int:
    """Let go of the pages of a file that is mapped for reading alone: a network's weights once they are unpacked.

    Where they are read once more after all they come from the system's cache of files.

    Parameters
    ----------
    name : str
        Last part of the file's path.

    Returns
    -------
    int
        Bytes of address space whose pages were let go of.
    """
    total = 0
    with suppress(OSError, AttributeError):
        advise = ctypes.CDLL(None).madvise
        advise.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
        for line in _MAPS.read_text().splitlines():
            place, rights, *_, path = line.split(maxsplit=5)
            if rights == "r--s" and path.endswith("/" + name):
                begin, end = (int(part, 16) for part in place.split("-"))
                total += end - begin if advise(begin, end - begin, _MADV_DONTNEED) == 0 else 0
    return total
