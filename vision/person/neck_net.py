"""The sides of the neck in a photo, by a small network that looks at the shoulders.

A square crop about the shoulders, turned so that the line through them is level and scaled by their distance, goes in;
out come the points where the side of the neck turns into the slope of the shoulder, with the deviation the network
expects of itself, and how likely each side of the neck is to be seen: under hair, a collar, a scarf, a hood or the chin
it infers the point from what lies about it; how likely the person is seen from behind; and how far the trunk is turned.
How it was trained, and where it fails, is in models/neck.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.arrays import Array, Picture
from vision.networks.crops import take_crop, upright_crop
from vision.networks.points import MapPoint, read_points, to_photo_points
from vision.networks.session import session

MODEL = Path(__file__).parents[1] / "models" / "neck.onnx"
SIZE = 224
SPAN = 2.2
"""Side of the crop over the distance of the shoulder landmarks."""
RISE = 0.25
"""The crop's middle above that of the shoulders, over their distance; the network was taught with the same."""
NAMES = ("left", "right", "acromion_left", "acromion_right", "outline_left", "outline_right")


@dataclass(frozen=True, slots=True)
class Turn:
    """How far a trunk is turned from facing the camera.

    Attributes
    ----------
    deg, deviation_deg : float
        To the picture's right, and its standard deviation as the network expects it.
    """

    deg: float
    deviation_deg: float


@dataclass(frozen=True, slots=True)
class NeckMap:
    """What the network says.

    Attributes
    ----------
    points : dict of str to MapPoint
        ``"left"`` and ``"right"``, the sides of the neck on the body, ``"acromion_left"``, ``"acromion_right"``, and
        ``"outline_left"``, ``"outline_right"``, the sides of the neck on the bare body's outline as the camera sees it:
        where people mark it on photographs, and the same place on a trunk that is not turned.
    seen : dict of str to float
        Of ``"left"`` and ``"right"``, the probability that bare skin is seen there.
    behind : float
        The probability that the person is seen from behind.
    turn : Turn or None
        How far the trunk is turned.
    """

    points: dict[str, MapPoint]
    seen: dict[str, float]
    behind: float
    turn: Turn | None = None


class NeckNet:
    """The network, ready to run on the processor in one thread."""

    def __init__(self) -> None:
        self._session = session(MODEL)

    def __call__(self, rgb: Picture, left_shoulder_px: Array, right_shoulder_px: Array) -> NeckMap:
        """Find the sides of the neck and the shoulder tips.

        Parameters
        ----------
        rgb : (H, W, 3) ndarray of uint8
        left_shoulder_px, right_shoulder_px : (2,) ndarray
            Shoulder landmarks, px; left and right are the person's own.

        Returns
        -------
        NeckMap

        Raises
        ------
        ValueError
            If the shoulders coincide.
        """
        left, right = np.asarray(left_shoulder_px, float), np.asarray(right_shoulder_px, float)
        distance = float(np.linalg.norm(left - right))
        if distance < 1.0:
            raise ValueError("the two shoulders lie on one spot")
        across = (left - right) / distance
        up = np.array([across[1], -across[0]])  # the person's left is to the right in the crop
        centre = 0.5 * (left + right) + RISE * distance * up
        to_photo = upright_crop(centre, up, SPAN * distance / SIZE, (SIZE, SIZE))
        maps, scores = self._session.run(["points", "seen"], {"image": take_crop(rgb, to_photo, (SIZE, SIZE))})
        told = scores[0].astype(float)
        chances = 1 / (1 + np.exp(-told[:3]))
        return NeckMap(
            to_photo_points(read_points(maps[0], len(NAMES)), to_photo, NAMES),
            {side: float(chance) for side, chance in zip(NAMES[:2], chances[:2], strict=True)},
            float(chances[2]),
            Turn(10 * float(told[3]), 10 * float(np.exp(np.clip(told[4], -3, 3)))),
        )
