"""One instrument lying on a table: a model with few numbers.

The unknowns are the body length, the width factor and the modes of the outline (`vision.instrument.shape`), where the
instrument lies and how it is turned, the heights of its top edge and scroll above the table
(`vision.instrument.resting`) and the distance between its two plates.  From them follow the model's places in space:
the same closed outline at two heights, the edges of top and back plate, and the ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Mask
from vision.instrument.resting import plate_distance_mm, plate_slope, resting_heights_mm, resting_slopes
from vision.instrument.shape import MODES, outline_prior

X, Y, YAW, LENGTH, TOTAL, WIDTH, LOW, NECK, SCROLL, ROLL, DEPTH = range(11)
"""Places of the unknowns: lower end in the sheet's frame (mm), turn about the vertical (rad), body and total length
(mm), width factor, what the three resting heights differ from the usual ones (mm), sideways tilt (rad), what the
distance of the plates differs from the usual one (mm)."""
SHAPE = slice(11, 11 + MODES)
"""Places of the weights of the outline's modes."""
BODY_UNKNOWNS = 11 + MODES

TOTAL_TO_BODY, TOTAL_TO_BODY_SPREAD = 1.67, 0.12
"""Usual total over body length (1.64 to 1.72: a maker's table of four sizes, and small instruments), and a spread so
wide that it says nearly nothing where the scroll's end is seen; our judgement."""


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


def pose_of(unknowns: Array, table_mm: float, edge_shift_mm: float = 0.0) -> Pose:
    """Model in space.

    Parameters
    ----------
    unknowns : (BODY_UNKNOWNS,) ndarray
        The instrument.
    table_mm : float
        Height of the table in the sheet's frame, mm.
    edge_shift_mm : float
        How far its edges are moved outward, mm.
    """
    outline = unknowns[LENGTH] * outline_prior().closed(unknowns[SHAPE], unknowns[WIDTH])
    if edge_shift_mm:
        outline = outline + edge_shift_mm * outward_normals(outline)
    return _lying(unknowns, table_mm, outline)


def _lying(unknowns: Array, table_mm: float, outline: Array) -> Pose:
    """Model in space; parameters as of `pose_of`, with the closed outline (C, 2), mm, that they have."""
    length = unknowns[LENGTH]
    low, _, scroll = table_mm + resting_heights_mm(length) + unknowns[LOW : SCROLL + 1]
    across, along, up = axes_of(unknowns)
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


def axes_of(unknowns: Array) -> tuple[Array, Array, Array]:
    """The instrument's unit vectors (3,) as in a `Pose`: across, along, up."""
    low, neck, _ = resting_heights_mm(unknowns[LENGTH]) + unknowns[LOW : SCROLL + 1]
    sine = (neck - low) / unknowns[LENGTH]
    cosine = np.sqrt(1.0 - sine**2)
    turn, roll = unknowns[YAW], unknowns[ROLL]
    along = np.array([-np.sin(turn) * cosine, np.cos(turn) * cosine, sine])
    level = np.array([np.cos(turn), np.sin(turn), 0.0])
    across = np.cos(roll) * level + np.sin(roll) * _cross(level, along)
    return across, along, _cross(across, along)


@dataclass(frozen=True)
class PoseSlopes:
    """How the model's places move with its unknowns: derivatives by the BODY_UNKNOWNS and, last, by the edges' shift.

    Attributes
    ----------
    scroll_top, body_top, body_bottom : (3, BODY_UNKNOWNS + 1) ndarray
    across, along, up : (3, BODY_UNKNOWNS + 1) ndarray
        Of the unit vectors.
    pose : Pose
        Where they are taken.
    unit, normals : (C, 2) ndarray
        The closed outline in units of the body length, and its outward normals.
    edge_shift_mm, length_mm, width, plates_mm, plates_by_length : float
        What they were taken at; the distance of the plates, and its derivative by the body length.
    """

    scroll_top: Array
    body_top: Array
    body_bottom: Array
    across: Array
    along: Array
    up: Array
    pose: Pose
    unit: Array
    normals: Array
    edge_shift_mm: float
    length_mm: float
    width: float
    plates_mm: float
    plates_by_length: float

    def along_directions(self, directions: Array, node: NDArray[np.int_], back: Mask) -> Array:
        """Derivatives (M, BODY_UNKNOWNS + 1) of edge places along one direction each.

        Parameters
        ----------
        directions : (M, 3) ndarray
            In space, of any length.
        node : (M,) ndarray of int
            Node of the closed outline.
        back : (M,) ndarray of bool
            On the back plate's edge, else on the top plate's.
        """
        unit, normals = self.unit[node], self.normals[node]
        outline = self.length_mm * unit + self.edge_shift_mm * normals
        across, along, up = directions @ self.pose.across, directions @ self.pose.along, directions @ self.pose.up
        # a place is the lower end, as far across and along as its outline says, and for the back plate down by the ribs
        shares = np.column_stack([np.ones(len(node)), outline, np.where(back, -self.plates_mm, 0.0)])
        turned = (shares[:, :, None] * directions[:, None, :]).reshape(len(node), -1)
        slopes = turned @ np.vstack([self.body_bottom, self.across, self.along, self.up])
        modes = outline_prior().closed_modes
        slopes[:, SHAPE] += (self.length_mm * self.width * across)[:, None] * modes[0][node]
        slopes[:, SHAPE] += (self.length_mm * along)[:, None] * modes[1][node]
        slopes[:, LENGTH] += across * unit[:, 0] + along * unit[:, 1] - np.where(back, self.plates_by_length * up, 0.0)
        slopes[:, WIDTH] += self.length_mm / self.width * across * unit[:, 0]
        slopes[:, DEPTH] -= np.where(back, up, 0.0)
        slopes[:, -1] += across * normals[:, 0] + along * normals[:, 1]
        return np.asarray(slopes)


def slopes_of(unknowns: Array, table_mm: float, edge_shift_mm: float = 0.0) -> PoseSlopes:
    """Derivatives of `pose_of` at `unknowns` (BODY_UNKNOWNS,).

    The chain rule through the formulas of `pose_of`, with one thing left out: how the outline's normals turn with its
    shape, since the shift moves an edge along its normal, and edges are compared along it.
    """
    length, width = float(unknowns[LENGTH]), float(unknowns[WIDTH])
    count = BODY_UNKNOWNS + 1
    unit = outline_prior().closed(unknowns[SHAPE], width)
    normals = outward_normals(unit)
    pose = _lying(unknowns, table_mm, length * unit + edge_shift_mm * normals)

    heights = np.zeros((3, count))
    heights[:, LENGTH] = resting_slopes(length)
    heights[:, LOW : SCROLL + 1] = np.eye(3)
    sine, cosine = float(pose.along[2]), float(np.hypot(*pose.along[:2]))
    by_sine = (heights[1] - heights[0]) / length
    by_sine[LENGTH] -= sine / length
    turn, roll = float(unknowns[YAW]), float(unknowns[ROLL])
    level = np.array([np.cos(turn), np.sin(turn), 0.0])
    ahead = np.array([-np.sin(turn), np.cos(turn), 0.0])
    aside = _cross(level, pose.along)

    along = np.outer(np.array([*(-sine / cosine * ahead[:2]), 1.0]), by_sine)
    along[:, YAW] += -cosine * level
    by_level = np.zeros((3, count))
    by_level[:, YAW] = ahead
    by_aside = _cross(by_level, pose.along) + _cross(level, along)
    across = np.cos(roll) * by_level + np.sin(roll) * by_aside
    across[:, ROLL] += -np.sin(roll) * level + np.cos(roll) * aside
    up = _cross(across, pose.along) + _cross(pose.across, along)

    bottom = np.zeros((3, count))
    bottom[0, X] = bottom[1, Y] = 1.0
    bottom[2] = heights[0]
    body_top = bottom + length * along
    body_top[:, LENGTH] += pose.along
    on_axis = bottom + unknowns[TOTAL] * along
    on_axis[:, TOTAL] += pose.along
    lift_mm = float((pose.scroll_top - pose.body_bottom - unknowns[TOTAL] * pose.along) @ pose.up)
    by_lift = (heights[2] - on_axis[2] - lift_mm * up[2]) / pose.up[2]
    return PoseSlopes(
        scroll_top=on_axis + np.outer(pose.up, by_lift) + lift_mm * up,
        body_top=body_top,
        body_bottom=bottom,
        across=across,
        along=along,
        up=up,
        pose=pose,
        unit=unit,
        normals=normals,
        edge_shift_mm=edge_shift_mm,
        length_mm=length,
        width=width,
        plates_mm=plate_distance_mm(length) + float(unknowns[DEPTH]),
        plates_by_length=plate_slope(length),
    )


def _cross(a: Array, b: Array) -> Array:
    """Vector product of vectors (3,) or of columns (3, N); NumPy's own takes ten times as long for so few."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def outward_normals(outline: Array) -> Array:
    """Unit outward normals (C, 2) of a closed anticlockwise outline (C, 2)."""
    closed = np.concatenate([outline[-1:], outline, outline[:1]])
    ahead_x, ahead_y = (closed[2:] - closed[:-2]).T
    return np.asarray(np.stack([ahead_y, -ahead_x], axis=1) / np.hypot(ahead_x, ahead_y)[:, None])
