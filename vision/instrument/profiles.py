"""Where exactly an edge crosses a line: profiles along normals, in a mask or in the photo itself.

A profile is the picture read every half pixel along the normal of a predicted edge.  In a mask the edge is the crossing
of one half nearest to the prediction.  In the photo it is the place where the colour changes fastest: the peak of the
gradient's magnitude over the three channels (Di Zenzo 1986), placed to a fraction of a sample by a parabola.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Floats, Mask, Picture

STEP_PX = 0.5
"""Distance of samples along a profile."""
SMOOTH_PX = 0.8
"""Standard deviation of the smoothing along a profile: about a sharp photo's own blur; our choice."""
_NEIGHBOURS = np.array([0.25, 0.5, 0.25])
"""Weights of a profile and its neighbours: edges are smooth."""


def profiles(picture: Picture | Floats, point_px: Array, normal_px: Array, reach_px: float) -> tuple[Array, Array]:
    """Read `picture` along normals.

    Parameters
    ----------
    picture : (H, W) or (H, W, C) uint8 or float32 ndarray
    point_px, normal_px : (M, 2) ndarray
    reach_px : float
        Half length of the profiles.

    Returns
    -------
    offset_px : (T,) ndarray
        Positions along the normal, from -reach to +reach.
    value : (M, T) or (M, T, C) ndarray
    """
    count = max(int(np.ceil(reach_px / STEP_PX)), 2)
    offset_px = np.arange(-count, count + 1, dtype=np.float64) * STEP_PX
    place = point_px[:, None, :] + offset_px[None, :, None] * normal_px[:, None, :]
    maps = place.astype(np.float32)
    value = cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return offset_px, value.astype(np.float64)


def mask_crossings(mask: Floats, point_px: Array, normal_px: Array, reach_px: float) -> tuple[Array, Mask]:
    """Offsets (M,) of the falling crossing of 0.5 nearest to each point, and where there is one."""
    offset_px, value = profiles(mask, point_px, normal_px, reach_px)
    inside, outside = value[:, :-1], value[:, 1:]
    falls = (inside >= 0.5) & (outside < 0.5)
    exact = offset_px[:-1] + STEP_PX * (inside - 0.5) / np.maximum(inside - outside, 1e-6)
    distance = np.where(falls, np.abs(exact), np.inf)
    best = distance.argmin(axis=1)
    rows = np.arange(len(point_px))
    return exact[rows, best], np.isfinite(distance[rows, best])


def expected_edges(picture: Picture, point_px: Array, normal_px: Array, sigma_px: float) -> Array:
    """Offsets (M,) of the sharpest colour change, those far off counting less (normal weight of `sigma_px`)."""
    offset_px, magnitude = _gradient(picture, point_px, normal_px, 3 * sigma_px)
    score = magnitude * np.exp(-0.5 * (offset_px / sigma_px) ** 2)
    return _between_samples(offset_px, magnitude, score.argmax(axis=1))[0]


def _gradient(picture: Picture, point_px: Array, normal_px: Array, reach_px: float) -> tuple[Array, Array]:
    """Offsets (T,) and magnitude (M, T) of the colour gradient along normals, neighbours mixed in by a quarter."""
    offset_px, value = profiles(picture, point_px, normal_px, reach_px)
    width = int(np.ceil(4 * SMOOTH_PX / STEP_PX))
    taps = np.arange(-width, width + 1) * STEP_PX
    kernel = taps * np.exp(-0.5 * (taps / SMOOTH_PX) ** 2)
    kernel /= (kernel * taps).sum()
    slope = cv2.sepFilter2D(value, cv2.CV_64F, kernel, _NEIGHBOURS, borderType=cv2.BORDER_REPLICATE)
    return offset_px, np.sqrt((slope**2).sum(axis=2))


def _between_samples(offset_px: Array, magnitude: Array, index: NDArray[np.intp]) -> tuple[Array, Array]:
    """Offset and height of the peak at sample `index`, by a parabola through it and its neighbours."""
    index = np.clip(index, 1, len(offset_px) - 2)
    rows = np.arange(len(index))
    left, top, right = (magnitude[rows, index + shift] for shift in (-1, 0, 1))
    bend = left - 2 * top + right
    fraction = np.where(bend < 0, 0.5 * (left - right) / np.minimum(bend, -1e-12), 0.0)
    return offset_px[index] + STEP_PX * np.clip(fraction, -1, 1), top
