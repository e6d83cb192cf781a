"""How high does a sheet lie?  A book under the sheet puts it nearer to the camera than the table is.

One flat sheet alone cannot tell how high it lies.  What a photo does show is the rim of a book round the paper: outside
each side of the paper a band of one width, ended by a straight step in colour parallel to the paper's edge.  The band
has to be seen on three sides at least, so that a plank's joint or a stripe of a cloth is not taken for it.  That the
instrument lies higher than the sheet, as in its case, no photo shows by itself: somebody has to say so.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from calibration.camera import PosedCamera

_STEP_MM = 0.5
"""Way between two readings across a band."""
_FROM_MM, _TO_MM = 2.0, 40.0
"""Where outside the paper a rim is looked for: not in the paper's own shadow, and as far as books jut out."""
_ALONG = np.linspace(0.12, 0.88, 48)
"""Where along a side it is read, over its length: not at the corners, where rims end."""
_REACH_MM = 2.0
"""Width of the means whose difference is a step."""
_LEAST_CONTRAST = 6.0
"""Step in CIELAB from which a rim is seen, more than an even ground shows; our choice."""
_LEAST_SHARE = 0.7
"""Share of the readings along a side that have to agree; our choice, set on development scenes."""
_STRAIGHT_MM = 1.0
"""How far they may lie apart to agree: books are straight."""
_LEAST_RIMS = 3
"""Sides with a rim (see above)."""


def lies_on_book(rgb: Picture, camera: PosedCamera, number: int = 0) -> bool:
    """Whether a rim is seen round at least three sides of sheet `number`.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
    camera : PosedCamera
        Camera solved from that sheet.
    number : int
        Which of the camera's sheets.
    """
    rotation, shift = camera.sheet_frame(number)
    corners = camera.sheets[number].layout.page.corners_mm
    sides_without = 0
    for start, end in pairwise([*corners, corners[0]]):
        sides_without += not _has_rim(_band(rgb, camera, rotation, shift, start, end))
        if sides_without > len(corners) - _LEAST_RIMS:
            return False
    return True


def _band(rgb: Picture, camera: PosedCamera, rotation: Array, shift: Array, start: Array, end: Array) -> Array:
    """Lab colours (A, T, 3) outside one side of the paper: along it, and away from it."""
    along = end - start
    # corners run clockwise on the page (y up), so outward is to the left of the way along the side
    outward = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    away = np.arange(_FROM_MM, _TO_MM, _STEP_MM)
    places = (start + _ALONG[:, None] * along)[:, None, :] + away[None, :, None] * outward
    flat = np.concatenate([places.reshape(-1, 2), np.zeros((places.shape[0] * places.shape[1], 1))], axis=1)
    maps = camera.project(flat @ rotation.T + shift).astype(np.float32).reshape(*places.shape)
    values = cv2.remap(rgb, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    lab: Array = cv2.cvtColor(values.astype(np.float32) / 255, cv2.COLOR_RGB2LAB).astype(np.float64)
    return lab


def _has_rim(band: Array) -> bool:
    """Whether most lines across a band have their strongest step at one and the same distance."""
    smooth = cv2.blur(band, (1, 3))
    reach = round(_REACH_MM / _STEP_MM)
    sums = np.cumsum(np.concatenate([np.zeros_like(smooth[:, :1]), smooth], axis=1), axis=1)
    means = (sums[:, reach:] - sums[:, :-reach]) / reach
    step = np.linalg.norm(means[:, reach:] - means[:, :-reach], axis=2)
    place = step.argmax(axis=1)
    usual = np.median(place)
    agree = (np.abs(place - usual) * _STEP_MM <= _STRAIGHT_MM) & (step.max(axis=1) >= _LEAST_CONTRAST)
    return bool(agree.mean() >= _LEAST_SHARE)
