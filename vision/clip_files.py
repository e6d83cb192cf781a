"""Which files are films, told by their first bytes without reading further."""

from __future__ import annotations

CHOSEN = 5
"""Frames of a film that are measured: more of one child add little, since what they share is not averaged away; our
choice."""

MAX_BYTES = 100_000_000
"""Largest accepted film: 20 s at 40 Mbit/s, what phones write at most in 1080p; our choice."""

_READERS = {b"ftyp": "mov", b"\x1aE\xdf\xa3": "matroska"}
"""First bytes (of ISO 14496-12 after the box's length; of Matroska, RFC 8794) and the reader for them."""
_STILLS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis")
"""Brands of the same box that are pictures (ISO 23008-12)."""


def is_clip(data: bytes) -> bool:
    """Whether a file begins as a film does (MP4, QuickTime, WebM or Matroska), and not as a picture."""
    return reader_of(data) is not None


def reader_of(data: bytes) -> str | None:
    r"""The container's reader; None for what is no film.

    Examples
    --------
    >>> reader_of(b"\0\0\0 ftypisom"), reader_of(b"\0\0\0 ftypheic"), reader_of(b"GIF89a")
    ('mov', None, None)
    """
    if data[4:8] == b"ftyp":
        return None if data[8:12] in _STILLS else _READERS[b"ftyp"]
    return _READERS.get(data[:4])
