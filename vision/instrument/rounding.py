"""What a camera sees of a rounded edge: not its outermost line but the place where the line of sight touches it.

Looked at from above, a round edge ends at its outermost line.  Looked at from the side it ends elsewhere on its
rounding: nearer to the camera where it hides what lies beyond, further down where the camera looks onto its side.  That
moves the end of the scroll by up to 3 mm in a view tilted by 30 degrees, and the plates' edges by 0.2 mm.
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from vision.instrument.model import Pose
from vision.instrument.shape import FULL_SIZE_MM

_EDGE_RADIUS_MM = 1.9
"""Half the thickness of the plates' edges at full size, 3.8 mm (makers' handbooks, from memory)."""
_EDGE_POWER = 0.8
"""How it grows with the body; that of the ribs (`vision.instrument.resting`)."""
_SCROLL_RADIUS_MM = 23.0
"""Radius of the scroll's outermost turn at full size, seen from the side (makers' handbooks, from memory)."""
_SCROLL_POWER = 0.9
"""How it grows with the body: small instruments have stouter heads; our judgement."""
_SCROLL_SHRINKS = 0.11
"""Of its radius, what a scroll loses for each radian upwards: a spiral that ends in a fifth after two and a third
turns."""
SCROLL_SPREAD = 0.2
"""Relative standard uncertainty of the scroll's rounding; our judgement."""


def edge_radius_mm(body_length_mm: float) -> float:
    """Radius of the plates' rounded edges, mm."""
    return float(_EDGE_RADIUS_MM * (body_length_mm / FULL_SIZE_MM) ** _EDGE_POWER)


def seen_of_edge(points: Array, outward: Array, up: Array, camera_mm: Array, body_length_mm: float) -> Array:
    """From the outermost line of the plates' edges to where they end for a camera (N, 3), mm.

    Parameters
    ----------
    points, outward : (N, 3) ndarray
        Places on the line, and the unit directions out of the body there.
    up, camera_mm : (3,) ndarray
        Direction out of the top plate, and place of the camera.
    body_length_mm : float
        Size of the instrument.
    """
    touching, _ = _touching(points, outward, up, camera_mm)
    return np.asarray(edge_radius_mm(body_length_mm) * (touching - outward))


def seen_of_scroll(
    scroll_top: Array, along: Array, up: Array, camera_mm: Array, body_length_mm: float
) -> tuple[Array, Array]:
    """From the furthest point of the scroll to where it ends for a camera (..., 3), mm, and the length of that way, mm.

    Parameters are as of `seen_of_edge`, with the axis for what is outward; point and directions are (..., 3).
    """
    touching, turned = _touching(scroll_top, along, up, camera_mm)
    radius = _SCROLL_RADIUS_MM * (body_length_mm / FULL_SIZE_MM) ** _SCROLL_POWER
    shrunk = radius * (1 - _SCROLL_SHRINKS * np.maximum(turned, 0.0))
    return np.asarray(shrunk[..., None] * touching - radius * along), np.asarray(radius * (1 - np.cos(turned)))


def seen_of_end(name: str, end: Array, pose: Pose, camera_mm: Array, body_length_mm: float) -> Array:
    """From an end of the model (3,), called as the fields of a `Pose` are, to where it ends for a camera (3,), mm."""
    if name == "scroll_top":
        return seen_of_scroll(end, pose.along, pose.up, camera_mm, body_length_mm)[0]
    outward = pose.along if name == "body_top" else -pose.along
    return np.asarray(seen_of_edge(end[None], outward[None], pose.up, camera_mm, body_length_mm)[0])


def end_seen(name: str, pose: Pose, camera_mm: Array, body_length_mm: float) -> Array:
    """Where an end of the model, called as the fields of a `Pose` are, ends for a camera (3,), mm."""
    end: Array = getattr(pose, name)
    return end + seen_of_end(name, end, pose, camera_mm, body_length_mm)


def _touching(points: Array, outward: Array, up: Array, camera_mm: Array) -> tuple[Array, Array]:
    """Unit directions (..., 3) from the middle of a rounding to where sight touches it, and how far upwards, rad."""
    sight = points - camera_mm
    turned = np.asarray(np.arctan2(np.vecdot(sight, outward), -np.vecdot(sight, up)))
    return np.cos(turned)[..., None] * outward + np.sin(turned)[..., None] * up, turned
