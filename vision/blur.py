"""How blurred a photo is as a whole.

An edge blurred by s px and smoothed by t px has a slope of contrast / sqrt(2 pi (s^2 + t^2)).  The ratio of the
steepest slopes after a light and after a strong smoothing tells s without knowing the contrast.  A phone that moved
blurs the edges across its way only, so the worst of several directions counts.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture
from calibration.problems import NO_BLANK_SHEET, NO_SHEET, Refused
from vision.problems import NO_SHEET_IN_SOFT, PHOTO_BLURRED

_SIDE_PX = 1400
"""Longer side to which photos are reduced first, so that blur is judged against the picture and not the sensor."""
_LIGHT_PX, _STRONG_PX = 1.2, 6.0
"""The two smoothings: above a reduced photo's noise, and well above the blur that is still to be told."""
_DIRECTIONS = 8
"""Directions in which a phone may have moved, evenly over half a turn."""
_STEEP_SHARE = 0.9995
"""Share of the pixels that the steepest ones exceed; one edge as long as a sheet's side is enough."""
_LEAST_SLOPE = 8.0
"""Slope, eight times grey values a px, below which there is no edge in a picture: a step of 30 grey values that is
blurred over 12 px has as much (our choice)."""
MOST_BLUR_PX = 2.5
"""Standard deviation of the blur, in px of a photo of 1400 px, beyond which a photo counts as blurred: at this blur the
squares of a marker run into one another (our choice; scenes with motion blur of 35 px and more lie far beyond it)."""


SOFT_PX = 1.6
"""From here on a sheet that hangs some metres away may be lost by blur: sample photos of children that were blurred on
purpose lost it at 1.7 to 2.1.  Sharp photographs have up to 1.7, so no more is said than that it is not sharp."""


def blur_px(rgb: Picture) -> float:
    """Standard deviation of the blur in the worst direction, in px of the photo reduced to a longer side of 1400 px."""
    shrink = min(1.0, _SIDE_PX / max(rgb.shape[:2]))
    size = (round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink))
    grey = cv2.resize(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), size, interpolation=cv2.INTER_AREA).astype(np.float32)
    light, strong = _steepest(grey, _LIGHT_PX), _steepest(grey, _STRONG_PX)
    if light.max() < _LEAST_SLOPE:
        return 0.0  # a bare wall has no edge that could be blurred
    ratio = float(np.min(light / np.maximum(strong, 1e-6)))
    # ratio^2 = (s^2 + strong^2) / (s^2 + light^2)
    square = (_STRONG_PX**2 - ratio**2 * _LIGHT_PX**2) / max(ratio**2 - 1.0, 1e-3)
    return float(np.sqrt(max(square, 0.0)))


def with_blur_named(refusal: Refused, rgb: Picture) -> Refused:
    """The same refusal; where no sheet was found for it in a photo that is blurred, that is what it says.

    A parent who holds the sheet in his hands does not know what to do differently where it "cannot be found".
    """
    if {NO_SHEET, NO_BLANK_SHEET}.isdisjoint(refusal.problems):
        return refusal
    blur = blur_px(rgb)
    if blur > MOST_BLUR_PX:
        return Refused(PHOTO_BLURRED)
    soft = {NO_SHEET: NO_SHEET_IN_SOFT} if blur > SOFT_PX else {}
    return Refused(*(soft.get(each, each) for each in refusal.problems))


def _steepest(grey: Floats, smooth_px: float) -> Array:
    """Slope exceeded by one pixel in 2000, for each of the directions."""
    soft = cv2.GaussianBlur(grey, (0, 0), smooth_px)
    across, down = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    angles = np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    every = slice(None, None, 2)
    slopes = [np.abs(np.cos(a) * across[every, every] + np.sin(a) * down[every, every]) for a in angles]
    return np.array([np.quantile(slope, _STEEP_SHARE) for slope in slopes])
