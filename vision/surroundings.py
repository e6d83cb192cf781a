"""What lies away from what was measured, made unrecognisable: whoever stands there is nobody's business.

Faces need not be looked for there, since no place is kept where one could be.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from calibration.sampling import window
from vision import drawing
from vision.networks.crops import halved

KEPT_RIM, KEPT_SOFT, KEPT_CELL = 60.0, 20.0, 30.0
"""How far around what was measured a kept picture stays sharp, over how much it fades, and the size of the cells
beyond; in thousandths of the photo's longer side."""

_HALVED_CELL_PX = 4.0
"""Side that a cell keeps at least when the picture is halved before its means are taken, px; our choice."""

_BAND_PX = 128
"""Rows that are blended at once; our choice."""


def only_about(rgb: Picture, places_px: Array | None) -> Picture:
    """The picture with everything away from some places made unrecognisable, (H, W, 3) uint8.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The picture.
    places_px : (N, 2) ndarray or None
        What stays sharp, px: whatever lies between these, and a rim around it; None: nothing.
    """
    unit = drawing.unit_px(rgb)
    height, width = rgb.shape[:2]
    cells = (max(1, round(width / (KEPT_CELL * unit))), max(1, round(height / (KEPT_CELL * unit))))
    # halving first, which is quick, changes what is unrecognisable by less than a grey level
    means = cv2.resize(halved(rgb, KEPT_CELL * unit / _HALVED_CELL_PX), cells, interpolation=cv2.INTER_AREA)
    coarse = np.asarray(cv2.resize(means, (width, height)), np.uint8)
    if places_px is None:
        return coarse
    small = np.full((max(1, round(height / unit)), max(1, round(width / unit))), 255, np.uint8)
    hull = cv2.convexHull(np.round(places_px / unit).astype(np.int32))
    cv2.fillConvexPoly(small, hull, 0)
    away = cv2.distanceTransform(small, cv2.DIST_L2, 3)
    keep = np.clip((KEPT_RIM - away) / KEPT_SOFT, 0, 1).astype(np.float32)
    left, top, right, bottom = window(places_px, rgb, (KEPT_RIM + 2) * unit)  # beyond it nothing is kept
    across, down = small.shape[1] / width, small.shape[0] / height
    for row in range(top, bottom, _BAND_PX):  # in bands, which need little memory beside the pictures
        band = slice(row, min(row + _BAND_PX, bottom)), slice(left, right)
        to_small = np.array([[across, 0, (left + 0.5) * across - 0.5], [0, down, (row + 0.5) * down - 0.5]])
        shown = np.ascontiguousarray(rgb[band])
        kept = cv2.warpAffine(
            keep,
            to_small,
            (shown.shape[1], shown.shape[0]),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        coarse[band] = cv2.blendLinear(shown, np.ascontiguousarray(coarse[band]), kept, 1 - kept)
    return coarse
