"""Whether a face looks at the camera, and whether a person is seen from behind.

The body model calls a person seen from behind seen from the front, and is sure of it; the neck's network tells backs
from fronts.  OpenCV's cascade of simple features, which ships with it, finds the face of a person who looks at the
camera; that it finds none means little by itself (a face may be covered), so the two are weighed together.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Picture
from vision.person.pose import Landmark, Person

_SIDE_PX = 200
"""Side to which the head's square is scaled for the cascades."""
_LEAST_PX = 24
"""Smaller squares hold no face that a cascade was taught with (20 px)."""
_STEP, _VOTES, _LEAST_FACE_PX = 1.06, 2, 45
"""The cascade's steps in size, the hits that make a face, and the smallest face in the scaled square; our choice."""
_OF_SHOULDERS, _OF_FACE, _OF_TORSO = 0.44, 1.3, 0.12
"""Radius of the disc over the width of the shoulders, over the farthest landmark of the face, and over the trunk: the
largest of them counts; our choice, rather too large."""
_FACE = [Landmark.NOSE, Landmark.LEFT_EYE, Landmark.RIGHT_EYE, Landmark.LEFT_EAR, Landmark.RIGHT_EAR]


@cache
def _cascades() -> tuple[cv2.CascadeClassifier, ...]:
    names = ("haarcascade_frontalface_alt2.xml", "haarcascade_profileface.xml")
    folder = Path(cv2.__file__).parent / "data"
    return tuple(cv2.CascadeClassifier(str(folder / name)) for name in names)


def looks_at_camera(rgb: Picture, person: Person) -> bool:
    """Whether a face is found where the person's head is; (H, W, 3) uint8 `rgb`."""
    x, y, radius = face_disc(person)
    box = np.array([x - radius, y - radius, x + radius, y + radius])
    left, top = np.maximum(box[:2], 0).astype(int)
    right, bottom = np.minimum(box[2:], [rgb.shape[1], rgb.shape[0]]).astype(int)
    if min(right - left, bottom - top) < _LEAST_PX:
        return False
    head = cv2.cvtColor(np.ascontiguousarray(rgb[top:bottom, left:right]), cv2.COLOR_RGB2GRAY)
    head = cv2.equalizeHist(cv2.resize(head, (_SIDE_PX, _SIDE_PX), interpolation=cv2.INTER_AREA))
    # a profile cascade knows one side only
    for view in (head, cv2.flip(head, 1)):
        for cascade in _cascades():
            if len(cascade.detectMultiScale(view, _STEP, _VOTES, minSize=(_LEAST_FACE_PX, _LEAST_FACE_PX))):
                return True
    return False


def seen_from_behind(rgb: Picture, person: Person, chance: float) -> bool:
    """Whether the picture shows the person's back.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The picture.
    person : Person
        Somebody in it.
    chance : float
        Probability of it by the look of head and shoulders (`vision.person.neck.NeckPoint.behind`).
    """
    if chance < LEAST_CHANCE:
        return False
    found = looks_at_camera(rgb, person)
    back, front = (share if found else 1 - share for share in (FACE_ON_BACKS, FACE_ON_FRONTS))
    return chance * back > (1 - chance) * front


FACE_ON_FRONTS, FACE_ON_BACKS = 0.77, 0.12
"""How often the cascade finds a face: 53 rendered figures that show their front, 16 that show their back."""
LEAST_CHANCE = 0.1
"""Below it no face need be looked for: its absence would not turn the balance."""


def face_disc(person: Person) -> tuple[float, float, float]:
    """A disc that covers the head: centre and radius, px."""
    face = person.points_px[_FACE]
    centre = face.mean(axis=0)
    shoulders = person.points_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]]
    width = float(np.linalg.norm(shoulders[0] - shoulders[1]))
    spread = float(np.linalg.norm(face - centre, axis=1).max())
    radius = max(_OF_SHOULDERS * width, _OF_FACE * spread, _OF_TORSO * person.torso_px)
    return float(centre[0]), float(centre[1]), radius
