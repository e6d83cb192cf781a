"""The side of the neck: the point where the neck's outline turns into the shoulder's slope.

No body model marks it.  A small network finds it in a crop about the shoulders (`vision.person.neck_net`); where the
network sees nothing, it is placed by proportion between the shoulders, which is poor.  Under hair, a collar or a scarf
the point is inferred, by the network too, and a child's proportions are not a mannequin's: so how likely the point is
to be seen, which the network tells as well, decides how far its place is trusted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from calibration.arrays import Array, Picture
from vision.person.neck_net import NeckNet
from vision.person.pose import Person


@dataclass(frozen=True, slots=True)
class NeckPoint:
    """The side of the neck in the photo.

    Attributes
    ----------
    px : (2,) ndarray
        Where, px.
    deviation_px : float
        Standard deviation of either coordinate, px.
    seen : bool
        Whether the point itself was seen; otherwise it is inferred from what lies about it.
    """

    px: Array
    deviation_px: float
    seen: bool


LEAST_CONFIDENCE = 0.3
"""Of the network, below which the proportion between the shoulders serves; our choice (0.8 is usual; of 21 sides on
photographs of people two were less sure than this, and wrong by 8 and 16 % of the arm)."""
SEEN_SHARE = 1.1
"""Standard deviation over what the network expects of itself, where the neck is seen: on 60 sides of a renderer that it
did not learn from errors are 1.0 to 1.3 of it, on 78 of another 0.9."""
HIDDEN_SHARE = 2.8
"""The same where the neck is hidden, from photographs of people (17 sides, errors of 0.3 to 9 times what the network
expects, mostly along the arm): two deviations cover 95 % of their coordinates.  On renders 1.3 would do."""
PROPORTION = (0.386, 0.595)
"""Neck point outwards and up from the middle of the shoulder landmarks, over half their distance.  Fitted on rendered
figures; on photographs of people the medians are 0.40 and 0.41, because their shoulder landmarks sit higher."""
PROPORTION_DEVIATION = 0.13
"""Standard deviation of either (photographs of people: 0.16 and 0.10)."""


def find_neck(rgb: Picture, person: Person, side: str) -> NeckPoint:
    """Find the side of the neck.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The photo.
    person : Person
        The person.
    side : str
        ``"left"`` or ``"right"``, the person's own.

    Returns
    -------
    NeckPoint
        From the network where it finds the point, else by proportion.
    """
    shoulders = [person.point("shoulder", each) for each in ("left", "right")]
    if np.linalg.norm(shoulders[0] - shoulders[1]) < 1.0:
        return from_shoulders(person, side)
    found = _network()(rgb, *shoulders)
    point, chance = found.points[side], found.seen[side]
    if point.confidence < LEAST_CONFIDENCE:
        return from_shoulders(person, side)
    share = (chance * SEEN_SHARE**2 + (1 - chance) * HIDDEN_SHARE**2) ** 0.5
    return NeckPoint(np.array([point.x, point.y]), point.sigma_px * share, seen=chance > 0.5)


@cache
def _network() -> NeckNet:
    return NeckNet()


def from_shoulders(person: Person, side: str) -> NeckPoint:
    """Place the neck point by proportion between the shoulders.

    Parameters
    ----------
    person : Person
        The person.
    side : str
        ``"left"`` or ``"right"``, the person's own.

    Returns
    -------
    NeckPoint
        A guess with a wide deviation, never `seen`.
    """
    near, far = person.point("shoulder", side), person.point("shoulder", "right" if side == "left" else "left")
    half = 0.5 * (near - far)
    up = np.array([half[1], -half[0]])
    if up[1] > 0:
        up = -up
    outwards, upwards = PROPORTION
    point = 0.5 * (near + far) + outwards * half + upwards * up
    return NeckPoint(point, PROPORTION_DEVIATION * float(np.linalg.norm(half)), seen=False)
