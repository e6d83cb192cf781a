"""Light mirrored in the varnish: where it burns out, the plate's edge is gone."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Picture
from calibration.problems import Refused
from vision.instrument.seen import InstrumentSeen
from vision.problems import STRONG_GLARE

BURNT = 250
"""Least value of all three channels of a burnt-out pixel."""
MOST_BURNT = 0.06
"""Share of the body's picture that may be burnt out; 56 rendered scenes stay below 0.004; our choice."""

_STEP = 2
"""Every second row and column of the map tells the share to a thousandth."""


def burnt_share(rgb: Picture, seen: InstrumentSeen) -> float:
    """Share of the body that is burnt out.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The photo.
    seen : InstrumentSeen
        The instrument in it.

    Returns
    -------
    float
        0 to 1; 0 where no body is seen.
    """
    body = seen.body[::_STEP, ::_STEP] > 0.5
    to_photo = np.asarray(seen.to_photo, dtype=np.float64) * [_STEP, _STEP, 1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture = cv2.warpAffine(rgb, to_photo, body.shape[::-1], flags=flags)
    burnt = cv2.inRange(picture, (BURNT,) * 3, (255,) * 3)
    return float((burnt[body] > 0).mean()) if body.any() else 0.0


def refuse_glare(rgb: Picture, seen: InstrumentSeen) -> None:
    """Refuse a photo whose instrument glares.

    Raises
    ------
    Refused
        ``strong_glare``.
    """
    if burnt_share(rgb, seen) > MOST_BURNT:
        raise Refused(STRONG_GLARE)
