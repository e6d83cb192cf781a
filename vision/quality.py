"""How good a picture is where it matters: light and sharpness of a part of it.

Both measures look at a box about what is to be measured, not at the whole picture, whose background may be dark or out
of focus without harm.  Sharpness is the width of the box's strongest edges, which is what a landmark or an outline
suffers from; it is given in pixels and judged against the size of what is measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Floats, Picture

WORKING_SIDE_PX = 1200
"""Longer boxes are reduced first; nothing sharper matters to landmarks."""
_STRONGEST = 0.01
"""Share of the pixels that count as the box's strongest edges; our choice."""
_SAMPLED = 16
"""One of so many pixels tells roughly which slopes are strong."""
_WINDOW_PX = 31
"""Width over which an edge's whole rise is looked for; our choice."""
_SMOOTH_PX = 0.8
"""Standard deviation of the smoothing beforehand, against noise."""


@dataclass(frozen=True, slots=True)
class Quality:
    """Measures of a part of a picture.

    Attributes
    ----------
    brightness : float
        95th percentile of the grey values, 0..255.
    contrast : float
        5th to 95th percentile of the grey values.
    edge_width_px : float
        Width over which the strongest edges rise, px of the whole picture; about 2 in a sharp one.
    """

    brightness: float
    contrast: float
    edge_width_px: float


def quality(rgb: Picture, box_px: tuple[float, float, float, float]) -> Quality:
    """Measure a part of a picture.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The picture.
    box_px : (left, top, right, bottom)
        The part, px; clipped to the picture.

    Returns
    -------
    Quality
        An empty box has no light and infinite edges.
    """
    height, width = rgb.shape[:2]
    left, top = (max(int(v), 0) for v in box_px[:2])
    right, bottom = min(int(np.ceil(box_px[2])), width), min(int(np.ceil(box_px[3])), height)
    if right - left < _WINDOW_PX or bottom - top < _WINDOW_PX:
        return Quality(0.0, 0.0, float("inf"))
    grey = cv2.cvtColor(np.ascontiguousarray(rgb[top:bottom, left:right]), cv2.COLOR_RGB2GRAY)
    low, high = _percentiles(np.asarray(grey, np.uint8))
    shrink = min(1.0, WORKING_SIDE_PX / max(grey.shape))
    if shrink < 1:
        grey = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    return Quality(float(high), float(high - low), _edge_width_px(np.asarray(grey, np.uint8)) / shrink)


def _percentiles(grey: Picture) -> tuple[float, float]:
    """5th and 95th percentile of grey values: as of the sorted values, of which a histogram is all that is needed."""
    up_to = np.cumsum(cv2.calcHist([grey], [0], None, [256], [0, 256]).astype(np.int64))
    places = np.array([0.05, 0.95]) * (grey.size - 1)
    lower = np.searchsorted(up_to, np.floor(places), side="right")
    upper = np.searchsorted(up_to, np.ceil(places), side="right")
    low, high = lower + (places - np.floor(places)) * (upper - lower)
    return float(low), float(high)


def _least_of_strongest(slope: Floats) -> float:
    """The `_STRONGEST` share's quantile of slopes, sought among the highest only, as a sample of them tells these."""
    sample = slope.ravel()[::_SAMPLED]
    kept = min(len(sample), int(3 * _STRONGEST * len(sample)) + 1)
    high = slope[slope >= np.partition(sample, -kept)[-kept]]
    place = (1 - _STRONGEST) * (slope.size - 1) - (slope.size - high.size)
    if place < 0:  # the sample misled: most of the strongest lie below what it called high
        return float(np.quantile(slope, 1 - _STRONGEST))
    return float(np.quantile(high, min(1.0, place / max(high.size - 1, 1))))


def _edge_width_px(grey: Picture) -> float:
    """The wider of the edges across and the edges down: a moved phone blurs one direction only."""
    smooth = np.asarray(cv2.GaussianBlur(grey, (0, 0), _SMOOTH_PX), np.uint8)
    return max(_step_width_px(smooth), _step_width_px(np.ascontiguousarray(smooth.T)))


def _step_width_px(grey: Picture) -> float:
    """Range of grey over the steepest slope along the rows, at the strongest edges: how wide a step has become."""
    slope = np.abs(cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8))
    strong = slope >= _least_of_strongest(slope)
    window = np.ones((1, _WINDOW_PX), np.uint8)
    spread = cv2.dilate(grey, window)[strong].astype(float) - cv2.erode(grey, window)[strong]
    return float(np.median(spread / np.maximum(slope[strong], 1e-3)))
