"""How long the neck is and how the shoulder falls, from the arm's photo: what a set-up can begin with.

The neck's length is taken along the trunk from the chin to the height of the shoulder's tip on the side whose arm
hangs: a raised arm lifts its own.  In children of six years the chin stands some 73 mm above the shoulders' tips
(stature 1169, tip 906, head 190 mm: Snyder 1977, UM-HSRI-77-17, from memory).  The fall of the shoulder is taken from
the side of the neck down to that tip, and the run across.  Whatever is hidden is not measured.

On 21 rendered figures whose arms were well photographed the fall is 3 mm too small (standard deviation 7) and the run
4 mm too long (10), inside of the stated intervals, which follow photographs of people; the chin has no truth there.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from calibration.print_scale import UNCHECKED, PrintScale
from calibration.quantity import Contribution, Length
from vision.arm.body import SeenBody
from vision.arm.joints import NECK
from vision.arm.mixture import Mixture
from vision.person.posture import PosturePoint

CHIN_BEFORE_NECK_MM = (80.0, 20.0)
"""How far the chin lies before the side of the neck, and its deviation: figures' eyes lie 100 mm before it."""
TIP_BEHIND_NECK_MM = (0.0, 25.0)
"""The same of the shoulder's tip: figures have it 20 mm before to 10 mm behind."""
NECK_DEPTH_MM = 30.0
"""Standard deviation of the neck's own distance from the wall; our choice, after `vision.arm.priors`."""
HEAD_HELD_MM = 8.0
"""Standard deviation of the chin's height by how the head is held, mm: some 6 degrees at 80 mm; our choice."""
PLAUSIBLE_MM = {"neck_length": (15.0, 160.0), "shoulder_fall": (5.0, 140.0), "shoulder_run": (30.0, 200.0)}
"""Lengths outside these are misreadings, mm, and not told; ours, about half and twice what children have."""


def posture_lengths(
    body: SeenBody, body_to_sheet: Array, mixture: Mixture, prints: Mapping[str, PrintScale]
) -> dict[str, Length | None]:
    """Neck and shoulder of one photo.

    Parameters
    ----------
    body : SeenBody
    body_to_sheet : (3, 3) ndarray
        Turns the body's coordinates into the sheet's.
    mixture : Mixture
        The solved arm, which tells how far the neck is from the wall.
    prints : mapping of str to PrintScale
        How large each sheet was printed.

    Returns
    -------
    dict of str to Length or None
        ``neck_length``, ``shoulder_fall`` and ``shoulder_run``, mm; None where a point is hidden.
    """
    seen = body.posture
    if seen is None or seen.tip is None:
        return dict.fromkeys(PLAUSIBLE_MM)
    name = body.camera.sheets[0].layout.name
    printed = prints.get(name, UNCHECKED)
    depth_mm = mixture.mean(lambda found: float(found.points_mm[NECK, 2]))
    tip = _Placed.of(seen.tip, body.camera, body_to_sheet, depth_mm + TIP_BEHIND_NECK_MM[0], TIP_BEHIND_NECK_MM[1])
    lengths: dict[str, Length | None] = dict.fromkeys(PLAUSIBLE_MM)
    if seen.chin is not None:
        chin = _Placed.of(
            seen.chin, body.camera, body_to_sheet, depth_mm + CHIN_BEFORE_NECK_MM[0], CHIN_BEFORE_NECK_MM[1]
        )
        held = Contribution("how the head is held", HEAD_HELD_MM)
        lengths["neck_length"] = chin.to(tip, 1, "chin", (held,))
    if seen.neck is not None:
        neck = _Placed.of(seen.neck, body.camera, body_to_sheet, depth_mm, 0.0)
        lengths["shoulder_fall"] = neck.to(tip, 1, "neck point")
        lengths["shoulder_run"] = neck.to(tip, 0, "neck point")
    return {each: _told(each, found, printed, name) for each, found in lengths.items()}


def _told(name: str, length: Length | None, printed: PrintScale, sheet: str) -> Length | None:
    """A length with the print's share, or None where it can only be misread."""
    low, high = PLAUSIBLE_MM[name]
    if length is None or not low <= length.value_mm <= high:
        return None
    return Length(length.value_mm, (*length.budget, printed.contribution(length.value_mm, sheet)))


class _Placed:
    """A point before the wall in the body's frame, with what its place hangs on.

    Attributes
    ----------
    xy_mm : (2,) ndarray
        Across the trunk and up along it, mm.
    deviation_mm : (2,) ndarray
        By where it is seen in the photo.
    common_mm, own_mm : (2,) ndarray
        By the neck's distance from the wall, which all points share, and by the point's own.
    """

    def __init__(self, xy_mm: Array, deviation_mm: Array, common_mm: Array, own_mm: Array) -> None:
        self.xy_mm, self.deviation_mm, self.common_mm, self.own_mm = xy_mm, deviation_mm, common_mm, own_mm

    @classmethod
    def of(
        cls, point: PosturePoint, camera: PosedCamera, body_to_sheet: Array, depth_mm: float, own_mm: float
    ) -> _Placed:
        """Where a point lies that is so far before the wall."""
        # itself, a millimetre deeper and shallower, and a pixel beside
        depths_mm, shifts_px = depth_mm + np.array([0.0, 1.0, -1.0, 0.0]), np.array([[0.0, 0], [0, 0], [0, 0], [1, 0]])
        here, deeper, nearer, beside = camera.to_plane(point.px + shifts_px, depths_mm)
        place, slope = (here @ body_to_sheet)[:2], ((deeper - nearer) / 2 @ body_to_sheet)[:2]
        mm_per_px = float(np.linalg.norm(beside - here))
        return cls(place, mm_per_px * np.array([point.across_px, point.along_px]), slope, slope * own_mm)

    def to(self, tip: _Placed, axis: int, name: str, more: tuple[Contribution, ...] = ()) -> Length:
        """How far this point stands from the shoulder's tip along an axis, mm."""
        common = NECK_DEPTH_MM * float((self.common_mm - tip.common_mm)[axis])
        apart = float((self.xy_mm - tip.xy_mm)[axis])
        return Length(
            apart if axis == 1 else abs(apart),  # below the tip is a misreading, to either side is none
            (
                Contribution(name, float(self.deviation_mm[axis])),
                Contribution("the shoulder's tip", float(tip.deviation_mm[axis])),
                Contribution("depth of the neck", common),
                Contribution("depth of chin and shoulder", float(np.hypot(self.own_mm[axis], tip.own_mm[axis]))),
                *more,
            ),
        )
