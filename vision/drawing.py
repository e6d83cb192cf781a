"""Drawing on photos: lines with a dark rim, points, a banner, magnified details, blurred discs.

Sizes follow the photo's longer side, so that a drawing looks the same on a phone whatever the photo's resolution.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from calibration.arrays import Array, Picture
from calibration.quantity import Length, length_json
from calibration.sampling import window

Colour = tuple[int, int, int]
Point = Sequence[float] | Array

YELLOW: Colour = (255, 221, 51)
CYAN: Colour = (64, 224, 255)
GREEN: Colour = (120, 255, 120)
RED: Colour = (255, 82, 82)
WHITE: Colour = (255, 255, 255)
RIM: Colour = (20, 20, 20)
"""Seen on skin, cloth, walls and wood alike; our choice.  Everything drawn has the dark rim, so that hue alone never
tells."""

_FRACTION_BITS = 4  # OpenCV draws to sixteenths of a pixel


def unit_px(picture: Picture) -> float:
    """A thousandth of the longer side, px: the unit of all sizes here."""
    return float(max(picture.shape[:2])) / 1000.0


def _fixed(points_px: Array) -> NDArray[np.int32]:
    return np.round(np.asarray(points_px, float) * (1 << _FRACTION_BITS)).astype(np.int32).reshape(-1, 1, 2)


def line(
    picture: Picture, points_px: Array, colour: Colour, width: float, closed: bool = False, unit: float | None = None
) -> None:
    """Draw a polyline (N, 2) with a dark rim; `width` in units of `unit_px`, or of `unit` px on a part of a picture."""
    unit = unit_px(picture) if unit is None else unit
    for shade, thickness in ((RIM, width + 2.0), (colour, width)):
        cv2.polylines(
            picture, [_fixed(points_px)], closed, shade, max(1, round(thickness * unit)), cv2.LINE_AA, _FRACTION_BITS
        )


def framed(picture: Picture) -> None:
    """Frame a refused picture in red."""
    height, width = picture.shape[:2]
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    line(picture, corners, RED, 8.0, closed=True)


def ring(picture: Picture, point_px: Point, colour: Colour, radius: float, unit: float | None = None) -> None:
    """Mark a point by a ring with a dot in the middle; `radius` in units of `unit_px`, or of `unit` px."""
    unit, one = unit_px(picture) if unit is None else unit, 1 << _FRACTION_BITS
    centre = (round(float(point_px[0]) * one), round(float(point_px[1]) * one))
    for shade, thickness in ((RIM, 4.5), (colour, 2.5)):
        cv2.circle(
            picture,
            centre,
            round(radius * unit * one),
            shade,
            max(1, round(thickness * unit)),
            cv2.LINE_AA,
            _FRACTION_BITS,
        )
    cv2.circle(picture, centre, round(1.6 * unit * one), colour, -1, cv2.LINE_AA, _FRACTION_BITS)


_BANNER = 60.0
"""Height of one line under a picture, in units of `unit_px`."""


def banner(picture: Picture, lines: Sequence[tuple[str, Colour]]) -> Picture:
    """Put a dark strip with a large line of text for each of `lines` under the picture, each in its colour.

    Parameters
    ----------
    picture : (H, W, 3) uint8 ndarray
        Left as it is.
    lines : sequence of (str, colour)
        What stands there, in the colour of what it names; for nothing the picture itself is given back.

    Returns
    -------
    (H', W, 3) uint8 ndarray
    """
    if not lines:
        return picture
    unit = unit_px(picture)
    strips = [picture]
    for text, colour in lines:
        strip = Image.new("RGB", (picture.shape[1], round(_BANNER * unit)), RIM)
        size = 0.62 * _BANNER * unit
        draw = ImageDraw.Draw(strip)
        font = ImageFont.load_default(size)
        wide = draw.textlength(text, font=font)
        if wide > 0.94 * strip.width:
            font = ImageFont.load_default(size * 0.94 * strip.width / wide)
        draw.text((strip.width / 2, strip.height / 2), text, fill=colour, font=font, anchor="mm")
        strips.append(np.asarray(strip))
    return np.vstack(strips)


def caption(code: str, length: Length, decimals: int, captions: Mapping[str, str]) -> str:
    """A length with its 95 % interval as a banner has it, its numbers those of the text beside the picture.

    Parameters
    ----------
    code : str
    length : Length
    decimals : int
    captions : mapping of str to str
        What the length is called, by `code`, and the decimal sign, by ``"point"``, where it is no point.

    Examples
    --------
    >>> caption("body_length", Length.stated(278.348, 1.0), 1, {"body_length": "Korpus", "point": ","})
    'Korpus 278,4 mm (276,4 … 280,3)'
    """
    kept = length_json(length) or {}  # rounded twice, as what is written is made of what is kept
    step = Decimal(1).scaleb(-decimals)
    value, low, high = (
        str(Decimal(str(kept[each])).quantize(step, ROUND_HALF_EVEN)).replace(".", captions.get("point", "."))
        for each in ("value_mm", "low_mm", "high_mm")
    )
    return f"{captions[code]} {value} mm ({low} … {high})"


def part_about(source: Picture, centre_px: Point, side: float, times: float) -> tuple[Picture, Array]:
    """A copy of the part of a picture that `magnified` shows, to be drawn on, and where its upper left corner is, px.

    Parameters are as of `magnified`, `source` being the whole picture.
    """
    reach = side * unit_px(source) / times / 2 + 4  # the interpolation looks two pixels further
    left, top, right, bottom = window(np.array([centre_px], float), source, reach)
    return source[top:bottom, left:right].copy(), np.array([left, top], float)


def magnified(picture: Picture, source: Picture, centre_px: Point, corner: str, side: float, times: float) -> None:
    """Show a square about a point of `source` magnified in a corner of the picture.

    Parameters
    ----------
    picture : (H, W, 3) uint8 ndarray
        Drawn on.
    source : (h, w, 3) uint8 ndarray
        What is magnified, of the same scale.
    centre_px : (x, y)
        Middle of the detail in `source`, px.
    corner : str
        ``"top left"``, ``"top right"``, ``"bottom left"`` or ``"bottom right"``.
    side : float
        Side of the inset in units of `unit_px`.
    times : float
        Magnification.
    """
    unit = unit_px(picture)
    size = round(side * unit)
    move = np.array([[times, 0, size / 2 - times * centre_px[0]], [0, times, size / 2 - times * centre_px[1]]])
    inset = cv2.warpAffine(source, move, (size, size), flags=cv2.INTER_CUBIC, borderValue=RIM)
    edge = max(2, round(3 * unit))
    inset = cv2.copyMakeBorder(inset, edge, edge, edge, edge, cv2.BORDER_CONSTANT, value=WHITE)
    high, wide = inset.shape[:2]
    top = 0 if "top" in corner else picture.shape[0] - high
    left = 0 if "left" in corner else picture.shape[1] - wide
    picture[top : top + high, left : left + wide] = inset


def blurred_disc(picture: Picture, centre_px: Point, radius_px: float) -> None:
    """Make a disc unrecognisable: reduced to a few cells, then blurred, with a soft rim."""
    height, width = picture.shape[:2]
    reach = 1.25 * radius_px
    left, top = max(int(centre_px[0] - reach), 0), max(int(centre_px[1] - reach), 0)
    right, bottom = min(int(centre_px[0] + reach) + 1, width), min(int(centre_px[1] + reach) + 1, height)
    if right - left < 2 or bottom - top < 2:
        return
    part = picture[top:bottom, left:right]
    cell = max(1, round(radius_px / 3))
    cells = (max(1, (right - left) // cell), max(1, (bottom - top) // cell))
    coarse = cv2.resize(part, cells, interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(coarse, (right - left, bottom - top), interpolation=cv2.INTER_LINEAR)
    columns = (np.arange(left, right) - centre_px[0]).astype(np.float32)
    rows = (np.arange(top, bottom) - centre_px[1]).astype(np.float32)
    away = np.hypot(columns, rows[:, None]) / np.float32(radius_px)
    share = np.clip((np.float32(1.2) - away) / np.float32(0.15), 0.0, 1.0)[..., None]
    picture[top:bottom, left:right] = np.round(share * coarse + (1 - share) * part).astype(np.uint8)
