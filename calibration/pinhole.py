"""The camera model: a pinhole with radial distortion (k1, k2), and one focal length for both axes.

A point at (x, y, z) in the camera's frame is seen at ``focal * (x, y) / z * (1 + k1 r^2 + k2 r^4) + centre``, where r
is the length of (x, y) / z (OpenCV's model without its further coefficients; Z. Zhang, A flexible new technique for
camera calibration, PAMI 22 (2000) 1330; from memory).  Rotations are rotation vectors: their direction is the axis,
their length the angle in rad (Rodrigues).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array

LENS, POSE = 5, 6
"""Parameters of a lens, in the order focal length (px), principal point x and y (px), k1, k2; and of a pose, its
rotation vector (rad) and translation (mm) into the camera's frame."""

_LEAST_TURN = 1e-12
"""Of a rotation, rad: a smaller one has no axis."""
_NEWTON_STEPS, _LEAST_SLOPE = 6, 0.1
"""To undo a distortion: of lenses as phones have them, fewer steps suffice; where the curve turns back, its slope is
taken for no less than that, so that no step runs away.  Our choice."""


def rotation(vector: Array) -> Array:
    """Rotation (3, 3) about a vector (3,) by its length in rad."""
    return np.asarray(cv2.Rodrigues(np.asarray(vector, dtype=np.float64))[0])


def rotation_slopes(vector: Array) -> tuple[Array, Array]:
    """Rotation (3, 3) about a vector (3,), and its derivatives (3, 3, 3) by the vector's parts, per rad."""
    turned, derivatives = cv2.Rodrigues(np.asarray(vector, dtype=np.float64))
    return np.asarray(turned), np.asarray(derivatives, dtype=np.float64).reshape(3, 3, 3)


def same_turn(vector: Array, like: Array) -> Array:
    """The same rotation as a vector (3,) on the side of half a turn on which `like` (3,) is."""
    opposite = vector * (1 - 2 * np.pi / max(float(np.linalg.norm(vector)), _LEAST_TURN))
    return opposite if np.linalg.norm(opposite - like) < np.linalg.norm(vector - like) else vector


def project(points_mm: Array, lens: Array, pose: Array) -> Array:
    """Where points (N, 3) in mm are seen, (N, 2) in px, through a lens (5,) from a pose (6,)."""
    focal, centre_x, centre_y, k1, k2 = lens
    in_camera = points_mm @ rotation(pose[:3]).T + pose[3:]
    plane = in_camera[:, :2] / in_camera[:, 2:]
    square = plane[:, :1] ** 2 + plane[:, 1:] ** 2
    return np.asarray(focal * plane * (1 + square * (k1 + k2 * square)) + [centre_x, centre_y])


@dataclass(frozen=True)
class Slopes:
    """Where points are seen, and how that moves.

    Attributes
    ----------
    px : (N, 2) ndarray of float
        As `project` gives it, px.
    by_pose : (2 N, 6) ndarray of float
        Derivatives of x and y of each point in turn by the pose, px/rad and px/mm.  The last three columns are those
        by the point itself in the camera's frame.
    by_lens : (2 N, 5) ndarray of float
        Derivatives by the lens.
    """

    px: Array
    by_pose: Array
    by_lens: Array


def project_slopes(points_mm: Array, lens: Array, pose: Array) -> Slopes:
    """As `project`, with derivatives."""
    focal, centre_x, centre_y, k1, k2 = lens
    matrix = np.array([[focal, 0, centre_x], [0, focal, centre_y], [0, 0, 1.0]])
    seen, by = cv2.projectPoints(points_mm, pose[:3], pose[3:], matrix, np.array([k1, k2, 0.0, 0.0]))
    slopes = np.asarray(by, dtype=np.float64)
    # OpenCV has two focal lengths, ours is both
    by_lens = np.column_stack([slopes[:, 6] + slopes[:, 7], slopes[:, 8:12]])
    return Slopes(np.asarray(seen, dtype=np.float64).reshape(-1, 2), slopes[:, :POSE], by_lens)


def undistorted(distorted: Array, k1: float, k2: float) -> Array:
    """Invert the radial distortion of places (N, 2) over the focal length: Newton's method on the radius."""
    far = np.linalg.norm(distorted, axis=1, keepdims=True)
    radius = far.copy()
    for _ in range(_NEWTON_STEPS):
        square = radius**2
        value = radius * (1 + square * (k1 + k2 * square)) - far
        slope = 1 + square * (3 * k1 + 5 * k2 * square)
        radius = radius - value / np.where(np.abs(slope) > _LEAST_SLOPE, slope, _LEAST_SLOPE)
    return np.asarray(distorted * np.where(far > 0, radius / np.maximum(far, 1e-12), 1.0))
