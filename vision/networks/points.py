"""Points that a network marks in its maps, carried to the photo.

For every point a network gives four maps, a cell each `POINT_STRIDE` px of its input: how sure it is that the point
lies in the cell, where in the cell (right and down), and how far off it may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array, Floats

POINT_STRIDE = 4
"""Px of the network's input a cell of its maps; as in training."""
LAPLACE_TO_DEVIATION = 3.0**0.5
"""For a round two-dimensional Laplace error of scale b each coordinate has the variance 3 b**2."""


@dataclass(frozen=True, slots=True)
class MapPoint:
    """One point that a network found.

    Attributes
    ----------
    x, y : float
        Where, px of the photo.
    sigma_px : float
        Expected standard deviation of either coordinate, px of the photo.
    confidence : float
        How sure the network is that the point is there at all, 0 to 1.
    """

    x: float
    y: float
    sigma_px: float
    confidence: float


def read_points(maps: Floats, count: int) -> Array:
    """Read points off the network's maps.

    Parameters
    ----------
    maps : (4 * count, h, w) ndarray
        Logit, offset right, offset down (cells) and logarithm of the scale (cells) of each point.
    count : int

    Returns
    -------
    (count, 4) ndarray
        x and y (px of the input), standard deviation of either (px), confidence.
    """
    out = np.empty((count, 4))
    height, width = maps.shape[1:]
    for k, (logit, right, down, scale) in enumerate(maps.reshape(count, 4, height, width)):
        row, col = np.unravel_index(int(np.argmax(logit)), logit.shape)
        rows, cols = slice(max(row - 1, 0), row + 2), slice(max(col - 1, 0), col + 2)
        chance = 1 / (1 + np.exp(-logit[rows, cols].astype(float)))
        weight = chance / chance.sum()
        yy, xx = np.mgrid[rows.start : rows.start + weight.shape[0], cols.start : cols.start + weight.shape[1]]
        x, y = float((weight * (xx + right[rows, cols])).sum()), float((weight * (yy + down[rows, cols])).sum())
        deviation = LAPLACE_TO_DEVIATION * float((weight * np.exp(scale[rows, cols])).sum()) * POINT_STRIDE
        out[k] = (x + 0.5) * POINT_STRIDE - 0.5, (y + 0.5) * POINT_STRIDE - 0.5, deviation, chance.max()
    return out


def to_photo_points(points: Array, to_photo: Array, names: Sequence[str]) -> dict[str, MapPoint]:
    """Carry points from a crop to the photo.

    Parameters
    ----------
    points : (K, 4) ndarray
        As `read_points` gives them.
    to_photo : (2, 3) ndarray
        From px of the crop to px of the photo.
    names : sequence of str
        Their names.

    Returns
    -------
    dict of str to MapPoint
    """
    scale = float(np.hypot(*to_photo[:, 0]))
    xy = points[:, :2] @ to_photo[:, :2].T + to_photo[:, 2]
    return {
        name: MapPoint(float(x), float(y), float(sigma * scale), float(confidence))
        for name, (x, y), (sigma, confidence) in zip(names, xy, points[:, 2:], strict=True)
    }
