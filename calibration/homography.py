"""Planes seen in perspective: homographies through points, and what they do to points and areas.

A flat thing seen by a pinhole camera is taken to the photo by a homography, a (3, 3) matrix that acts on homogeneous
coordinates (R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed., 2.3 and 4.1).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calibration.arrays import Array, Mask

FEWEST_POINTS = 4
"""Points that determine a homography."""

_ON_PLANE_PX = 0.35
"""Nearer than this to its plane a point always counts as lying on it: ten times a corner's usual noise; our choice."""

_ON_PLANE_MEDIANS = 5.0
"""A point lies elsewhere if it is further from the plane than this many medians of all distances; for normal scatter
that is 3.3 standard deviations along each axis, so that hardly a true one is lost; our choice."""

_FEWEST_ON_PLANE = 6
"""With fewer points left, leaving some out is not trusted and all are kept; our choice."""

_NOWHERE = np.array([[0, 0, -1e6], [0, 0, -1e6], [0, 0, 1.0]])
"""Takes everything far out of the photo, for points through which there is no homography."""


def apply_homography(homography: ArrayLike, points: ArrayLike) -> Array:
    """Take points through a homography.

    Parameters
    ----------
    homography : (3, 3) array_like of float
        The homography.
    points : (..., 2) array_like of float
        Points, in the units of its source (mm or px).

    Returns
    -------
    (..., 2) ndarray of float
        Where they come to lie.

    Examples
    --------
    >>> apply_homography([[2, 0, 5], [0, 2, 0], [0, 0, 1]], [(1, 1), (2, 3)])
    array([[7., 2.],
           [9., 6.]])
    """
    matrix = np.asarray(homography, dtype=np.float64)
    carried = np.asarray(points, dtype=np.float64) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(carried[..., :2] / carried[..., 2:])


def fit_homography(mm: Array, px: Array) -> Array:
    """Homography through four points, or the least-squares one through more.

    Parameters
    ----------
    mm, px : (N, 2) ndarray of float
        Points on the plane and where they are seen; N >= 4.

    Returns
    -------
    (3, 3) ndarray of float
        Takes `mm` to `px`; where there is none (more than four points, all on one line), it takes everything far out of
        the photo.  Of four points no three may lie on one line: who asks has looked at that.

    Examples
    --------
    >>> corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1.0)])
    >>> np.round(fit_homography(corners, 3 * corners), 6) + 0.0
    array([[3., 0., 0.],
           [0., 3., 0.],
           [0., 0., 1.]])
    """
    if len(mm) == FEWEST_POINTS:
        return np.asarray(cv2.getPerspectiveTransform(mm.astype(np.float32), px.astype(np.float32)), dtype=np.float64)
    homography, _ = cv2.findHomography(mm, px)
    return _NOWHERE.copy() if homography is None else np.asarray(homography, dtype=np.float64)


def fit_plane(mm: Array, px: Array) -> tuple[Array, Mask]:
    """Homography through points of which up to half may lie elsewhere (least median of squares, then least squares).

    Parameters
    ----------
    mm, px : (N, 2) ndarray of float
        Points on the plane and where they seem to be seen; N >= 4.

    Returns
    -------
    homography : (3, 3) ndarray of float
        Takes `mm` to `px`.
    on_plane : (N,) ndarray of bool
        Which points lie on it.
    """
    homography = np.asarray(cv2.findHomography(mm, px, cv2.LMEDS)[0], dtype=np.float64)
    if homography.shape != (3, 3):
        return fit_homography(mm, px), np.ones(len(mm), dtype=bool)
    away = np.linalg.norm(apply_homography(homography, mm) - px, axis=1)
    kept = away < max(_ON_PLANE_PX, _ON_PLANE_MEDIANS * float(np.median(away)))
    if kept.sum() < _FEWEST_ON_PLANE:
        return homography, np.ones(len(mm), dtype=bool)
    return fit_homography(mm[kept], px[kept]), kept


def signed_area(outline: ArrayLike) -> float:
    """Area of a polygon (N, 2) by the shoelace formula; positive where it turns from the x axis to the y axis.

    Examples
    --------
    >>> signed_area([(0, 0), (2, 0), (2, 1), (0, 1)])
    2.0
    """
    x, y = np.asarray(outline, dtype=np.float64).T
    to_first = float(x[-1] * y[0] - y[-1] * x[0])
    return (float(x[:-1] @ y[1:] - y[:-1] @ x[1:]) + to_first) / 2
