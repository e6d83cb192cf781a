"""Five joints in space, and the lengths of an arm that they tell.

The arm length as defined is that of the arm held straight out at 90 degrees.  Seen from the shoulder joint, the neck
point lies inwards by `n` and up by `u`; with the straight arm `a` the length is sqrt((n + a)^2 + u^2), less 0.3 % for
how the shoulder and the palm's skin move.  This does not depend on how the arm was held, only on the joints.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibration.arrays import Array
from vision.arm import priors

NECK, SHOULDER, ELBOW, WRIST, PALM = range(5)
"""Places of the joints in arrays of five, in the order of `vision.arm.priors.JOINTS`."""


def segments_mm(points: Array) -> Array:
    """Lengths (..., 3) of the upper arm, the forearm, and wrist to palm, mm; `points` (..., 5, 3)."""
    steps = points[..., ELBOW:, :] - points[..., SHOULDER:PALM, :]
    return np.asarray(np.sqrt((steps**2).sum(axis=-1)))


def straight_arm_mm(points: Array) -> Array:
    """Length (...) from the shoulder joint to the palm with the arm straight, mm; `points` (..., 5, 3) mm."""
    return np.asarray(segments_mm(points).sum(axis=-1))


def straight_arm_slopes(points: Array) -> tuple[float, Array]:
    """The same of one arm's points (5, 3), and its derivatives (5, 3) by them."""
    steps = points[ELBOW:] - points[SHOULDER:PALM]
    lengths = np.sqrt((steps**2).sum(axis=1, keepdims=True))
    slopes = np.zeros((5, 3))
    slopes[ELBOW:] += steps / lengths
    slopes[SHOULDER:PALM] -= steps / lengths
    return float(lengths.sum()), slopes


def neck_offset_mm(points: Array, outward: float, lean_deg: ArrayLike) -> tuple[Array, Array]:
    """How far the neck point lies inwards of and above the shoulder joint, along the trunk's own axes, mm.

    Parameters as of `arm_length_mm`.
    """
    lean = np.radians(lean_deg)
    # leaning away from the arm raises its side
    sine, cosine = np.sin(lean), np.cos(lean)
    x, y = points[..., NECK, 0] - points[..., SHOULDER, 0], points[..., NECK, 1] - points[..., SHOULDER, 1]
    return np.asarray(-x * cosine * outward - y * sine), np.asarray(-x * sine * outward + y * cosine)


def reach_mm(points: Array, outward: float, lean_deg: ArrayLike, from_shoulder_mm: Array) -> Array:
    """From the neck point to a point (...) that far from the shoulder joint, arm straight out at 90 degrees, mm.

    The others as of `arm_length_mm`.
    """
    inward, up = neck_offset_mm(points, outward, lean_deg)
    return np.asarray(np.hypot(inward + from_shoulder_mm, up))


def arm_length_mm(points: Array, outward: float, lean_deg: ArrayLike) -> Array:
    """Arm length (...) as defined (side of the neck to mid palm, arm straight out at 90 degrees), mm.

    Parameters
    ----------
    points : (..., 5, 3) ndarray
        The joints in the body's frame, mm, however the arm was held.
    outward : float
        +1 or -1: which way the arm points along x.
    lean_deg : float or (...) ndarray
        Lean of the trunk away from the arm, degrees.
    """
    straight = straight_arm_mm(points)
    return np.asarray(reach_mm(points, outward, lean_deg, straight) + priors.DEFINITION_OFFSET * straight)
