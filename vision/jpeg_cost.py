"""What decoding a JPEG would cost, told from its markers before it is decoded.

A progressive JPEG (ITU-T T.81, annex G) comes in scans, each of which passes over the whole picture: a file of 300 kB
can hold tens of thousands of them, almost empty, and takes minutes to decode.  Encoders make about ten.  Counting them
needs no decoding: outside of marker segments a byte 0xFF is followed by 0x00 or a restart marker, or begins a marker.
"""

from __future__ import annotations

import re

MOST_SCANS = 100
"""Encoders make 10 scans (libjpeg's script), optimising ones up to some 70; from memory."""

_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9  # ISO/IEC 10918-1, table B.1
_WITHOUT_LENGTH = {0x01, 0xD8, *range(0xD0, 0xD8)}


def scans(content: bytes) -> int:
    r"""How many scans a JPEG's first picture has; counting stops behind `MOST_SCANS`.

    Parameters
    ----------
    content : bytes
        The file.

    Examples
    --------
    >>> scans(b"\xff\xd8" + b"\xff\xda\x00\x02\x11" * 3 + b"\xff\xd9")
    3
    """
    found, at = 0, 2
    while found <= MOST_SCANS and (marker := _MARKER.search(content, at)) is not None:
        kind, at = content[marker.end() - 1], marker.end()
        if kind == _END_OF_IMAGE:
            break
        if kind == _START_OF_SCAN:
            found += 1
        if kind not in _WITHOUT_LENGTH:
            at += max(int.from_bytes(content[at : at + 2], "big"), 2)
    return found
