"""The side of the neck: the point where the neck's outline turns into the shoulder's slope.

No body model marks it.  From the shoulders' landmarks alone it can only be placed by proportion, which is poor; see
`from_shoulders`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.pose import Person


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

    px: NDArray[np.float64]
    deviation_px: float
    seen: bool


PROPORTION = (0.386, 0.595)
"""Neck point outwards and up from the middle of the shoulder landmarks, over half their distance.  Fitted on rendered
figures; on photographs of people the medians are 0.40 and 0.41, because their shoulder landmarks sit higher."""
PROPORTION_DEVIATION = 0.13
"""Standard deviation of either (photographs of people: 0.16 and 0.10)."""


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
