"""Parts of a photo, its grey, and grey levels between its pixels."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Grey, Picture

_MOST_AT_ONCE = 30000
"""OpenCV's `remap` takes maps of fewer than 32768 rows."""


def grey_photo(image: Picture) -> Grey:
    """The photo (H, W) in grey; `image` is (H, W, 3) RGB or grey already.

    Examples
    --------
    >>> grey_photo(np.full((1, 2, 3), 200, np.uint8))
    array([[200, 200]], dtype=uint8)
    """
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image, dtype=np.uint8)


def window(points_px: Array, image: Picture, margin_px: float) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the part of a picture that holds points (N, 2) px with a margin round them.

    It has one pixel at least; right and bottom are the first column and row beyond it.

    Examples
    --------
    >>> window(np.array([(3.5, 2.0), (6.0, 20.0)]), np.zeros((9, 12, 3), np.uint8), 1.0)
    (2, 1, 8, 9)
    """
    size = np.array([image.shape[1], image.shape[0]])
    low = np.floor(points_px.min(axis=0) - margin_px).clip(0, size - 1).astype(int)
    high = (np.ceil(points_px.max(axis=0) + margin_px) + 1).clip(low + 1, size).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def sample(grey: Grey, at_px: Array) -> Array:
    """Grey levels (...) at points (..., 2) in px, interpolated linearly; the photo's edge repeats outside.

    Examples
    --------
    >>> sample(np.array([[0, 100]], np.uint8), np.array([(0.5, 0.0), (7.0, 3.0)]))
    array([ 50., 100.])
    """
    maps = np.ascontiguousarray(at_px, dtype=np.float32).reshape(-1, 1, 2)
    pieces = [
        cv2.remap(grey, part, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in np.array_split(maps, len(maps) // _MOST_AT_ONCE + 1)
    ]
    return np.vstack(pieces).reshape(at_px.shape[:-1]).astype(np.float64)
