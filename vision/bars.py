"""The picture within a picture: what a screenshot of a phone's gallery, or a frame made for a screen, shows a photo in.

A screenshot is of the screen's proportions, and the photo in it has bars above and below, or to either side.  Taken for
a photo it would seem to have been taken through a wider lens, from nearer, and what lies before the sheet's plane would
come out too long.  So the bars are found, and what is between them is the photo.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from calibration.arrays import Picture

_Lines = np.ndarray[tuple[int], np.dtype[np.bool_]]

_FLAT_LEVELS = 3
"""How far levels of a bar are from its colour at most; our choice: screens paint it in one, and JPEG keeps that."""
_FLAT_SHARE = 0.98
"""Pixels of a bar's line that are of its colour, at least: notches and rounded corners are none; our choice."""
_EDGE_SHARE = 0.4
"""Pixels of a photo's outermost lines that differ from the bar, at least; our choice.  A photo's own white or black
fades in."""
_APART_LEVELS = 12
"""How much a pixel differs from a bar, at least, that is none of it; our choice."""
_SOFT_PX = 16
"""How far from a bar's plain part the photo may begin: a JPEG's block of colour blurs both; ITU-T T.81."""
_LEAST_SHARE, _LEAST_PX = 0.004, 6
"""Height of the plain part of a bar, next to the photo, at least: of the picture's and in px; our choice."""
_MOST_BARS = 8
"""Plain parts to either side that may be a bar, the nearest ones: a plain wall has some, too; our choice."""
_LOOKED_AT = 128
"""Pixels of each line that are looked at, about; our choice."""


def without_bars(rgb: Picture) -> Picture:
    """The photo between two bars of one colour, or the whole picture where there are none.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8

    Returns
    -------
    (h, w, 3) ndarray of uint8
        A part of `rgb`, not copied.

    Examples
    --------
    >>> photo = np.random.default_rng(0).integers(0, 256, (60, 40, 3), np.uint8)
    >>> without_bars(np.pad(photo, ((10, 20), (0, 0), (0, 0)))).shape
    (60, 40, 3)
    """
    top, bottom = _between(rgb)
    rgb = rgb[top:bottom]
    left, right = _between(rgb.swapaxes(0, 1))
    return rgb[:, left:right]


def _between(rgb: Picture) -> tuple[int, int]:
    """First row of a photo and the first one behind it; all rows where there are no two bars."""
    everything = (0, len(rgb))
    looked_at = rgb[:, :: max(1, rgb.shape[1] // _LOOKED_AT)].astype(np.int16)
    colours = np.median(looked_at, axis=1)
    of_colour = np.abs(looked_at - colours[:, None]).max(axis=2) <= _FLAT_LEVELS
    jumps = np.abs(np.diff(colours, axis=0, prepend=colours[:1])).max(axis=1) > _FLAT_LEVELS
    flat = (of_colour.mean(axis=1) >= _FLAT_SHARE) & ~jumps
    middle = len(rgb) // 2
    for up, down in product(_bars(flat[middle - 1 :: -1]), _bars(flat[middle:])):
        first, last = middle - up, middle + down - 1  # of the lines between the two bars
        bar = colours[first - _LEAST_PX]
        if np.abs(bar - colours[last + _LEAST_PX]).max() > _FLAT_LEVELS:
            continue
        photo = (np.abs(looked_at - bar).max(axis=2) > _APART_LEVELS).mean(axis=1) >= _EDGE_SHARE
        top, bottom = _edge(photo[first:middle]), _edge(photo[middle : last + 1][::-1])
        if top is not None and bottom is not None:
            return first + top, last + 1 - bottom
    return everything


def _bars(flat: _Lines) -> list[int]:
    """Where plain parts begin that may be of a bar, going outwards; none that begins at once."""
    least = max(_LEAST_PX, round(2 * _LEAST_SHARE * len(flat)))
    runs = np.convolve(flat, np.ones(least, int), "valid") == least
    begins: list[int] = (np.flatnonzero(runs[1:] & ~runs[:-1]) + 1).tolist()
    return begins[:_MOST_BARS]


def _edge(photo: _Lines) -> int | None:
    """The first line of a photo, going inwards from a bar's plain part; None where it fades in."""
    near = photo[:_SOFT_PX]
    return int(np.argmax(near)) if near.any() else None
