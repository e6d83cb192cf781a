"""The side of the neck: the point where the neck's outline turns into the shoulder's slope.

No body model marks it.  A small network finds it in a crop about the shoulders (`vision.person.neck_net`); where the
network sees nothing, it is placed by proportion between the shoulders, which is poor.  Under hair, a collar or a scarf
the point is inferred, by the network too, and a child's proportions are not a mannequin's: so how likely the point is
to be seen decides how far its place is trusted.  The network tells that, too, unless the colour there is not that of
the face.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.person.neck_net import NeckNet
from vision.person.pose import Landmark, Person


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
HIDDEN_SHARE = 3.2
"""The same where the neck is hidden, from 13 photographs of people (19 sides; errors of 0.3 to 9 times what the network
expects, mostly along the arm): two deviations then cover 93 % of the coordinates.  On renders 1.3 would do."""
CHEEK, UNDER_NOSE, INSIDE, ABOVE, PATCH = (0.55, 0.3), 0.25, 0.28, 0.10, 0.05
"""Where skin is looked at: cheeks, that share of the way from the nose to the ears and that share of the eyes-to-nose
step further down; below the nose; the neck, that share of the way from its side to its middle and that share of its
width up; and half the side of each patch over the neck's width.  Our choice."""
OFF_SKIN = 13.0, 40.0
"""Difference between neck and face in chroma and in lightness (CIELAB) from which the neck is taken to be covered
whatever the network says.  Of
84 rendered figures with bare necks one is further off; our choice."""
PROPORTION = (0.386, 0.595)
"""Neck point outwards and up from the middle of the shoulder landmarks, over half their distance.  Fitted on rendered
figures; on photographs of people the medians are 0.40 and 0.41, because their shoulder landmarks sit higher."""
PROPORTION_DEVIATION = 0.30
"""Standard deviation of either.  Over all photographs of people it is 0.16 and 0.10; those on which the network sees
nothing are worse, people turned aside above all."""


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
    point, other = found.points[side], found.points["right" if side == "left" else "left"]
    if point.confidence < LEAST_CONFIDENCE:
        return from_shoulders(person, side)
    near, far = np.array([point.x, point.y]), np.array([other.x, other.y])
    chance = found.seen[side] if _is_bare(rgb, person, near, far) else 0.0
    share = (chance * SEEN_SHARE**2 + (1 - chance) * HIDDEN_SHARE**2) ** 0.5
    return NeckPoint(near, point.sigma_px * share, seen=chance > 0.5)


@cache
def _network() -> NeckNet:
    return NeckNet()


def _is_bare(rgb: Picture, person: Person, near: Array, far: Array) -> bool:
    """Whether the neck, just inside the point `near`, has the colour of the face."""
    middle, width = 0.5 * (near + far), float(np.linalg.norm(near - far))
    nose = person.points_px[Landmark.NOSE]
    rise = (nose - middle) / max(float(np.linalg.norm(nose - middle)), 1.0)
    down = nose - person.points_px[[Landmark.LEFT_EYE, Landmark.RIGHT_EYE]].mean(axis=0)
    ears = person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]]
    places = [nose + CHEEK[0] * (ear - nose) + CHEEK[1] * down for ear in ears] + [nose + UNDER_NOSE * down]
    neck = _colour(rgb, near + INSIDE * (middle - near) + ABOVE * width * rise, PATCH * width)
    face = np.median([_colour(rgb, place, PATCH * width) for place in places], axis=0)
    lightness, *chroma = neck - face
    return bool(np.hypot(*chroma) < OFF_SKIN[0] and abs(lightness) < OFF_SKIN[1])


def _colour(rgb: Picture, centre: Array, radius_px: float) -> Array:
    """Median CIELAB colour (3,) of a small square; black where it lies outside the photo."""
    reach = max(round(radius_px), 1)
    x, y = np.round(centre).astype(int)
    square = rgb[max(y - reach, 0) : max(y + reach + 1, 0), max(x - reach, 0) : max(x + reach + 1, 0)]
    if square.size == 0:
        return np.zeros(3)
    lab = cv2.cvtColor(np.ascontiguousarray(square, dtype=np.float32) / 255, cv2.COLOR_RGB2LAB)
    return np.asarray(np.median(lab.reshape(-1, 3), axis=0), dtype=np.float64)


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
