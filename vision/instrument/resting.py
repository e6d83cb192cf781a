"""How high an instrument stands when it lies on its back on a table: the heights that a single photo cannot show.

A violin on its back touches the table with the arch of the back and with the back of the scroll.  The line that ends
the body is the edge of the top plate; it stands above the table by the arch of the back, the ribs and half the
thickness of the edge, a little more at the neck than at the lower end because the instrument tips onto its scroll.
Ignoring these heights makes a body 3 to 6 % too long in a photo taken from about 0.8 m.

Means.  Published ribs and arches (ribs 30, 29, 28, 26 mm from full to quarter size, back arch 15 mm at full size) put
the edge about 0.131 (lower end) and 0.1395 (neck) of the body length above the table, the end of the scroll at 0.063.
Small instruments are relatively thicker; the power laws below were fitted to 120 random instruments laid on their backs
by the geometry of the scene renderer, with seeds of their own, and agree with those figures within 1.5 mm.

Spreads.  The same instruments scatter by 0.8, 0.6 and 0.4 mm about these laws.  Real ones differ more (ribs and arches
by about a millimetre each: a judgement, no survey was found), so wider spreads are used; the last is common to all
three: a soft table lets the instrument sink by up to 2.5 mm.
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from vision.instrument.shape import FULL_SIZE_MM

_AT_FULL_SIZE_MM = np.array([44.0, 50.2, 23.2])
"""Heights of the lower end, the neck's end and the scroll's end over a hard table at full size (see above)."""
_POWER = np.array([0.76, 0.98, 1.00])
"""How each grows with the body: its power of the length."""
_SPREAD_MM = np.array([1.1, 1.0, 1.2])
"""Standard deviation of each at full size, its square in proportion to the length (see above)."""
_SINK_MM, _SINK_SPREAD_MM = 0.5, 0.8
"""How far an instrument sinks into what it lies on, and its standard deviation (see above)."""

_RIB_AT_FULL_SIZE_MM, _RIB_POWER = 33.8, 0.82
"""Ribs and one edge thickness at full size, and how they grow with the body; published ribs agree within 1.5 mm."""
RIB_SPREAD_MM = 1.2
"""Standard uncertainty of the distance between the edges of the two plates, in mm."""

ROLL_SPREAD_DEG = 0.5
"""Standard uncertainty of the sideways tilt, in degrees: level on a table, up to a degree and a half on a bed."""


def resting_heights_mm(body_length_mm: float) -> Array:
    """Expected heights (3,) above the table: top edge at the lower end, top edge at the neck, end of the scroll; mm."""
    heights: Array = _AT_FULL_SIZE_MM * (body_length_mm / FULL_SIZE_MM) ** _POWER - _SINK_MM
    return heights


def resting_slopes(body_length_mm: float) -> Array:
    """Change (3,) of the expected heights, mm for one mm of body length."""
    slopes: Array = _AT_FULL_SIZE_MM * _POWER / FULL_SIZE_MM * (body_length_mm / FULL_SIZE_MM) ** (_POWER - 1)
    return slopes


def resting_covariance_mm2(body_length_mm: float) -> Array:
    """Covariance (3, 3) of the three heights, in mm2; the sinking is common to them."""
    size = body_length_mm / FULL_SIZE_MM
    covariance: Array = np.diag(_SPREAD_MM**2) * size + _SINK_SPREAD_MM**2
    return covariance


def plate_distance_mm(body_length_mm: float) -> float:
    """Expected distance between the edges of top and back plate (ribs and one edge thickness), in mm."""
    return float(_RIB_AT_FULL_SIZE_MM * (body_length_mm / FULL_SIZE_MM) ** _RIB_POWER)


def plate_slope(body_length_mm: float) -> float:
    """Change of the expected distance of the plates, mm for one mm of body length."""
    per_mm = _RIB_AT_FULL_SIZE_MM * _RIB_POWER / FULL_SIZE_MM
    return float(per_mm * (body_length_mm / FULL_SIZE_MM) ** (_RIB_POWER - 1))
