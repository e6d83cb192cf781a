"""How a child moves from photo to photo: a little where it stands still, for nobody is a statue, and more where not.

The trunk moves as a whole, the neck a little on it, the arm turns about the shoulder and the forearm about the elbow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from vision.arm.joints import ELBOW, NECK, PALM, SHOULDER, WRIST

SWAYS = 10
"""Numbers that say how a child stands in one view: what `Sway` lists."""


@dataclass(frozen=True, slots=True)
class Sway:
    """How a child moves from view to view: standard deviations.

    Attributes
    ----------
    trunk_mm : (float, float, float)
        The shoulder, and the trunk with it: along the wall, up, from the wall.
    neck_mm : float
        The neck on the trunk, along each axis.
    arm_deg, elbow_deg : (float, float)
        Arm about the shoulder and forearm about the elbow: forwards, and up.
    """

    trunk_mm: tuple[float, float, float]
    neck_mm: float
    arm_deg: tuple[float, float]
    elbow_deg: tuple[float, float]

    @property
    def deviations(self) -> Array:
        """The same (10,) in the order of a view's unknowns: mm, and radians."""
        angles = np.radians([*self.arm_deg, *self.elbow_deg])
        return np.array([*self.trunk_mm, *3 * [self.neck_mm], *angles])


SWAY = {
    "wall": Sway((8.0, 4.0, 3.0), 3.0, (0.4, 1.2), (0.3, 0.6)),
    "floating": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
    "reaching": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
    "away": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
    "bent": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
}
"""By the stance: joints move by 9 mm at the shoulder to 14 at the palm of an arm of 450 mm.  People who stand quietly
sway by some 5 to 10 mm at the shoulders within half a minute (from memory, posturography); an arm held out wavers by
about a degree; our judgement."""
MOVED = Sway((60.0, 15.0, 8.0), 3.0, (0.8, 1.2), (0.4, 0.6))
"""The same of a child that shifts its feet along the wall between the photos, or whose sheet is hung elsewhere:
parallax then says nothing of how far from the wall it stands.  Chosen among seven on sequences of our own tracer in
which children step aside by 60 to 150 mm, stand still, or stand 200 mm off the wall
(`vision.training.figures.sequences`), and sheets are hung 80 mm aside and 50 up: with a wider one, or in more ways,
steps of 60 mm before a floating arm stayed unnoticed in five views, since all of them would have to be likely; with
less upwards, the sheets."""
MOVED_SHARE = 0.15
"""How often several photos that are sent as one are of a child that moved like that; our judgement."""


def swayed(points: Array, sway: Array) -> tuple[Array, Array, Array]:
    """The joints of one view, and how they depend on the body and on its sway.

    Turns are small, and taken to first order: 1.5 degrees make a segment of 250 mm 0.1 mm too long.

    Parameters
    ----------
    points : (5, 3) ndarray
        The body's joints, mm.
    sway : (10,) ndarray
        Trunk along x, y, z and neck along x, y, z, mm; arm forwards (about y) and up (about z), forearm the same, rad.

    Returns
    -------
    joints : (5, 3) ndarray
        In this view, mm.
    by_points : (5, 3, 5, 3) ndarray
        Derivatives by the body's joints.
    by_sway : (5, 3, 10) ndarray
        Derivatives by the sway.
    """
    arm, fore = np.array([0.0, *sway[6:8]]), np.array([0.0, *(sway[6:8] + sway[8:])])
    turns = {ELBOW: np.eye(3) + _cross(arm), WRIST: np.eye(3) + _cross(fore), PALM: np.eye(3) + _cross(fore)}
    joints, by_points, by_sway = np.zeros((5, 3)), np.zeros((5, 3, 5, 3)), np.zeros((5, 3, SWAYS))
    joints[SHOULDER] = points[SHOULDER] + sway[:3]
    joints[NECK] = points[NECK] + sway[:3] + sway[3:6]
    by_points[SHOULDER, :, SHOULDER] = by_points[NECK, :, NECK] = np.eye(3)
    by_sway[:, :, :3] = np.eye(3)
    by_sway[NECK, :, 3:6] = np.eye(3)
    for joint, before in ((ELBOW, SHOULDER), (WRIST, ELBOW), (PALM, WRIST)):
        segment = points[joint] - points[before]
        joints[joint] = joints[before] + turns[joint] @ segment
        by_points[joint] = by_points[before]
        by_points[joint, :, joint] += turns[joint]
        by_points[joint, :, before] -= turns[joint]
        by_sway[joint, :, 3:] = by_sway[before, :, 3:]
        by_sway[joint, :, 6:8] -= _cross(segment)[:, 1:]
        if joint != ELBOW:
            by_sway[joint, :, 8:] -= _cross(segment)[:, 1:]
    return joints, by_points, by_sway


def _cross(vector: Array) -> Array:
    """The matrix that makes the cross product with a vector."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
