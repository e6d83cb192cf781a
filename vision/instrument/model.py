"""One instrument lying on a table: a model with few numbers.

The unknowns are the body length, the width factor and the modes of the outline (`vision.instrument.shape`), where the
instrument lies and how it is turned, the heights of its top edge and scroll above the table
(`vision.instrument.resting`) and the distance between its two plates.  From them follow the model's places in space:
the same closed outline at two heights, the edges of top and back plate, and the ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from vision.instrument.resting import plate_distance_mm, resting_heights_mm
from vision.instrument.shape import MODES, OutlinePrior, outline_prior

X, Y, YAW, LENGTH, TOTAL, WIDTH, LOW, NECK, SCROLL, ROLL, DEPTH = range(11)
"""Places of the unknowns: lower end in the sheet's frame (mm), turn about the vertical (rad), body and total length
(mm), width factor, what the three resting heights differ from the usual ones (mm), sideways tilt (rad), what the
distance of the plates differs from the usual one (mm)."""
SHAPE = slice(11, 11 + MODES)
"""Places of the weights of the outline's modes."""
BODY_UNKNOWNS = 11 + MODES

TOTAL_TO_BODY, TOTAL_TO_BODY_SPREAD = 1.67, 0.12


@dataclass(frozen=True)
class Pose:
    """Places of the model in space for one set of unknowns (mm, in the sheet's frame).

    Attributes
    ----------
    top, back : (C, 3) ndarray
        The closed outline on the top plate's edge and on the back plate's edge.
    scroll_top, body_top, body_bottom : (3,) ndarray
        The ends.
    across, along, up : (3,) ndarray
        Unit vectors of the instrument: to the treble side, to the scroll, out of the top plate.
    """

    top: Array
    back: Array
    scroll_top: Array
    body_top: Array
    body_bottom: Array
    across: Array
    along: Array
    up: Array

    def at(self, x_mm: float, y_mm: float, lift_mm: float) -> Array:
        """Point (3,) at `x_mm` across, `y_mm` along and `lift_mm` above the plane of the top edge."""
        point: Array = self.body_bottom + x_mm * self.across + y_mm * self.along + lift_mm * self.up
        return point


def pose_of(unknowns: Array, table_mm: float, edge_shift_mm: float = 0.0, prior: OutlinePrior | None = None) -> Pose:
    """Model in space for `unknowns` (BODY_UNKNOWNS,) on a table at `table_mm`, its edges moved outward by a shift."""
    prior = prior or outline_prior()
    length = unknowns[LENGTH]
    outline = length * prior.closed(unknowns[SHAPE], unknowns[WIDTH])
    if edge_shift_mm:
        outline = outline + edge_shift_mm * outward_normals(outline)
    low, neck, scroll = table_mm + resting_heights_mm(length) + unknowns[LOW : SCROLL + 1]
    sine = (neck - low) / length
    cosine = np.sqrt(1.0 - sine**2)
    turn, roll = unknowns[YAW], unknowns[ROLL]
    along = np.array([-np.sin(turn) * cosine, np.cos(turn) * cosine, sine])
    level = np.array([np.cos(turn), np.sin(turn), 0.0])
    across = np.cos(roll) * level + np.sin(roll) * _cross(level, along)
    up = _cross(across, along)
    bottom = np.array([unknowns[X], unknowns[Y], low])
    top = bottom + outline[:, :1] * across + outline[:, 1:] * along
    depth = plate_distance_mm(length) + unknowns[DEPTH]
    scroll_top = bottom + unknowns[TOTAL] * along
    scroll_top = scroll_top + (scroll - scroll_top[2]) / up[2] * up
    return Pose(
        top=top,
        back=top - depth * up,
        scroll_top=scroll_top,
        body_top=bottom + length * along,
        body_bottom=bottom,
        across=across,
        along=along,
        up=up,
    )


def _cross(a: Array, b: Array) -> Array:
    """Vector product of two vectors (3,); NumPy's own takes ten times as long for so few numbers."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def outward_normals(outline: Array) -> Array:
    """Unit outward normals (C, 2) of a closed anticlockwise outline (C, 2)."""
    tangent = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    normals = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    unit: Array = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    return unit
