"""Reading markers: which sheets may be in a photo, and roughly where.

Quadrangles that may be markers come from OpenCV's marker detector, the ones it rejects included.  Each is read by
correlating its 36 modules with those of all markers in four rotations; this still reads a marker whose modules are
little more than a pixel wide.  Corners of markers are never used for measuring: over-exposed paper shifts them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from calibration.arrays import Array, Grey, Indices, Mask
from calibration.homography import apply_homography, fit_homography, signed_area
from calibration.sampling import sample
from calibration.sheet import MARKER_MODULES, MARKERS_PER_SHEET, SheetLayout, all_layouts, marker_modules

_READING = 0.62
"""Least correlation of a read marker, black 0 and white 1; noise reaches 0.55 among 480 templates (simulated)."""

_LEAST_SPREAD = 30.0
"""Norm of the 36 modules' grey levels about their mean: 5 levels each, below which there is nothing to read; our
choice."""

_AGREES_SIDES, _AGREES_REACH = 0.3, 0.15
"""How far a marker may be from where another one, extended to the whole board, expects it: in sides of that one, and
for each px of the way to it; a marker's own corners are read to some tenths of a pixel in twenty; our choice."""

_WINDOWS_PX = (13, 33)
"""Windows of the detector's adaptive threshold; OpenCV's default goes from 3 to 23 in steps of 10 and sees more than it
costs on small pictures only (tried on our scenes)."""

_LEAST_PERIMETER = 0.012
"""Of a quadrangle, over the photo's longer side: a marker of 8 px in 2600 px (default 0.03 misses far sheets)."""

_POLYGON_ACCURACY = 0.05
"""Of a quadrangle's outline, over its perimeter; OpenCV's default 0.03 loses blurred ones (tried on our scenes)."""


@dataclass(frozen=True)
class Marker:
    """A marker that was read.

    Attributes
    ----------
    layout : SheetLayout
        The sheet it belongs to.
    corner_mm, corner_px : (4, 2) ndarray of float
        Its corners in mm of its sheet, and in px of the full photo.
    """

    layout: SheetLayout
    corner_mm: Array
    corner_px: Array

    @property
    def centre_px(self) -> Array:
        """Its middle (2,), px."""
        return np.asarray(self.corner_px.mean(0))


def read_markers(grey: Grey, scale: float) -> list[Marker]:
    """Read the markers in a photo.

    Parameters
    ----------
    grey : (H, W) ndarray of uint8
        The photo, `scale` times as large as the original.
    scale : float
        Size of `grey` over that of the original.

    Returns
    -------
    list of Marker
        The best read first, in px of the original.
    """
    quads = _quadrangles(grey)
    if not len(quads):
        return []
    marker, turn, score = _read(grey, quads)
    markers = []
    for i in np.argsort(-score):
        if score[i] < _READING:
            break
        layout = all_layouts()[marker[i] // MARKERS_PER_SHEET]
        box = layout.marker_boxes[marker[i] - layout.marker_ids.start]
        # corners of the quadrangle in the order of the marker's own corners, in px of the full photo
        corner_px = (np.roll(quads[i], -turn[i], axis=0) + 0.5) / scale - 0.5
        markers.append(Marker(layout, box.corners_mm, corner_px))
    return markers


def agreeing_markers(markers: list[Marker]) -> list[Marker]:
    """Choose the largest set of markers of one sheet that one of them, extended to the whole board, agrees with."""
    best: list[Marker] = []
    middles_mm = np.array([marker.corner_mm.mean(0) for marker in markers])
    middles_px = np.array([marker.centre_px for marker in markers])
    for marker in markers:
        homography = fit_homography(marker.corner_mm, marker.corner_px)
        side_px = np.sqrt(abs(signed_area(marker.corner_px)))
        off_px = np.linalg.norm(apply_homography(homography, middles_mm) - middles_px, axis=1)
        reach_px = np.linalg.norm(middles_px - marker.centre_px, axis=1)
        agrees = off_px < _AGREES_SIDES * side_px + _AGREES_REACH * reach_px
        if np.count_nonzero(agrees) > len(best):
            best = [other for other, agreed in zip(markers, agrees, strict=True) if agreed]
    return best


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    small, large = _WINDOWS_PX
    parameters.adaptiveThreshWinSizeMin = small
    parameters.adaptiveThreshWinSizeMax = large
    parameters.adaptiveThreshWinSizeStep = large - small
    parameters.minMarkerPerimeterRate = _LEAST_PERIMETER
    parameters.polygonalApproxAccuracyRate = _POLYGON_ACCURACY
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250), parameters)


def _quadrangles(grey: Grey) -> Array:
    """Dark convex quadrangles (K, 4, 2) in px, those included that OpenCV cannot read."""
    accepted, _, rejected = _detector().detectMarkers(grey)
    quads = [np.asarray(quad, dtype=np.float64).reshape(4, 2) for quad in (*accepted, *rejected)]
    return np.stack(quads) if quads else np.empty((0, 4, 2))


@cache
def _templates() -> Array:
    """Modules of all markers in four turns, (4 * 120, 36), as of `turned_templates`."""
    return turned_templates(marker_modules())


def turned_templates(modules: Mask) -> Array:
    """Squares of modules (K, n, n) in four turns clockwise, (4 K, n n), each of mean 0 and norm 1.

    All K come in one turn, then in the next.
    """
    turned = np.stack([np.rot90(modules, -turn, axes=(1, 2)) for turn in range(4)])
    flat = turned.reshape(4 * len(modules), -1).astype(np.float64)
    flat -= flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.linalg.norm(flat, axis=1, keepdims=True))


def _read(grey: Grey, quads: Array) -> tuple[Indices, Indices, Array]:
    """Best marker, its quarter turns clockwise, and the correlation, for each quadrangle."""
    share = (np.arange(MARKER_MODULES) + 0.5) / MARKER_MODULES
    right, down = (axis.ravel()[None, :, None] for axis in np.meshgrid(share, share))
    first, second, third, fourth = (quads[:, None, corner] for corner in range(4))
    at = (first * (1 - right) + second * right) * (1 - down) + (fourth * (1 - right) + third * right) * down
    modules = sample(grey, at)
    modules -= modules.mean(1, keepdims=True)
    spread = np.linalg.norm(modules, axis=1, keepdims=True)
    correlation = (modules / np.maximum(spread, _LEAST_SPREAD)) @ _templates().T
    best = correlation.argmax(1)
    count = len(marker_modules())
    return best % count, best // count, np.where(spread[:, 0] > _LEAST_SPREAD, correlation.max(1), 0)
