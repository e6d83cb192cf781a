"""Pale quadrangles in a photo, to a fraction of a pixel: blank paper and cards.

1. The photo's darkest channel (white paper is pale in all three) is cut at many levels, and where it is steep; outlines
   of the pieces with four straight sides are candidates.
2. Along each side the steepest fall of the grey level is placed to a fraction of a pixel on many short profiles across
   it; a straight line is fitted that a finger, a shadow or a curled corner on less than two fifths of the side does not
   move.  The corners are where the lines meet, and so lie where a curled corner would be if it were flat.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from calibration.arrays import Array, Grey, Mask, Picture
from calibration.homography import signed_area
from calibration.sampling import sample

LEVELS = 24
"""Grey levels at which the photo is cut; paper on a wall differs from it by a tenth and more; our choice."""

_EDGE_LEVELS = (6.0, 14.0, 30.0)
"""Thresholds of the edge detector, lower one of its two; faint, usual and strong edges; our choice."""

_SEARCH_SIDE_PX = 1400
"""Quadrangles are looked for at this size at most; our choice between time and far sheets."""

_SMALLEST_SHARE = 0.001
"""Of the photo's area: a sheet of 0.3 px/mm in a photo of 2400 px; smaller ones are not measured anyway."""

_LARGEST_SHARE = 0.5
"""Of the photo's area: what fills more of it leaves no room for what is to be measured; our choice."""

_POLYGON_SHARE = 0.02
"""How far an outline may leave its quadrangle, over its perimeter; sub-pixel lines come later; our choice."""

_ROWS, _ENDS_SHARE = 80, 0.12
"""Profiles across a side, and what of it is left out at either end, where corners curl; our choice."""

_REACH_SHARE, _REACH_RANGE_PX = 0.03, (4.0, 14.0)
"""How far a profile reaches to either side of the quadrangle: over the side's length, within limits; our choice."""

_STEP_PX = 0.25
"""Between points of a profile."""

_CENTRE_PX = 1.5
"""The place of a fall is the centroid of what is steep within this of the steepest; twice a sharp photo's blur."""

_LEAST_FALL = 6.0
"""Grey levels by which a side falls outwards at least; noise and texture of walls have 2 to 4 after smoothing (on our
scenes); below it, white lies on white."""

_ON_LINE_PX, _SEEN_SHARE = 0.6, 0.6
"""How near a profile's edge is to its side's line, and how many of them are; our choice."""

_MOST_UNEVEN = 14.0
"""Usual distance of grey levels inside from their middle: blank paper under a lamp has 3 to 8 (on our scenes)."""

_SHADE_DEGREE = 4
"""Degree along either side of what is taken for light on blank paper: an arm's soft shade falls and rises within half
of the sheet, lines of print several times; our choice."""

_DRAWN_LINES = 64
"""Lines drawn through two places of a side; with half of the places wrong, one in four is right."""

_MOST_ROUGH = 150
"""Rough quadrangles, the largest first, that are looked at: bricks and tiles are smaller and more; our choice."""

_MOST_TRIED = 6
"""Quadrangles, the largest first, that are tried; windows and pictures may be larger than the sheet; our choice."""

_SHORTEST_PX, _FEWEST_PLACES = 8.0, 8
"""Of a side, and of places across it, below which no line is fitted; our choice."""

_LEAST_TURN = 1e-9
"""Lines whose directions' cross product is smaller than that, px^2, are taken for parallel: rounding."""


@dataclass(frozen=True)
class Quadrangle:
    """A pale quadrangle with straight sides.

    Attributes
    ----------
    corner_px : (4, 2) ndarray of float
        Where its sides meet, clockwise as seen in the photo, px.
    bow : float
        Largest bow of a side over its length.
    fall : float
        Smallest fall of a side, grey levels.
    """

    corner_px: Array
    bow: float
    fall: float


@dataclass(frozen=True, slots=True)
class Line:
    """A line in the photo: a point (2,) on it and its direction (2,), px."""

    point: Array
    way: Array


@dataclass(frozen=True, slots=True)
class Side:
    """A side of a quadrangle as it is seen.

    Attributes
    ----------
    line : Line
        Along most of it.
    bow : float
        Over its length.
    fall : float
        Grey levels by which it falls outwards.
    """

    line: Line
    bow: float
    fall: float


def blank_quadrangles(image: Picture) -> list[Quadrangle]:
    """Pale quadrangles with straight, contrasting sides, the largest first.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.

    Returns
    -------
    list of Quadrangle
        Corners to a fraction of a pixel.
    """
    pale = np.asarray(image.min(axis=2), dtype=np.uint8)
    found: list[Quadrangle] = []
    rough_ones = sorted(_rough_quadrangles(pale), key=lambda rough: -signed_area(rough))
    for rough in rough_ones[:_MOST_ROUGH]:
        if len(found) == _MOST_TRIED:
            break
        if any(alike(rough, other.corner_px) for other in found) or not _even_inside(pale, rough):
            continue
        quadrangle = _refined(pale, rough)
        if quadrangle is not None:
            found.append(quadrangle)
    return sorted(found, key=lambda each: -abs(signed_area(each.corner_px)))


def _rough_quadrangles(pale: Grey) -> Iterator[Array]:
    """Quadrangles (4, 2) in px, clockwise in the photo, at all levels, the palest first."""
    scale = min(1.0, _SEARCH_SIDE_PX / max(pale.shape))
    small = cv2.resize(pale, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = cv2.medianBlur(small, 3)
    cuts = [(small > int(level)).view(np.uint8) for level in np.linspace(250, 50, LEVELS)]
    for threshold in _EDGE_LEVELS:
        steep = cv2.Canny(cv2.GaussianBlur(small, (0, 0), 1.2), threshold, 3 * threshold)
        cuts.append(np.asarray(cv2.dilate(steep, np.ones((3, 3), np.uint8)), dtype=np.uint8))
    for cut in cuts:
        outlines, _ = cv2.findContours(cut, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            area = cv2.contourArea(outline)
            if not _SMALLEST_SHARE * small.size < area < _LARGEST_SHARE * small.size:
                continue
            hull = cv2.convexHull(outline)  # turns from the x axis to the y axis
            corners = cv2.approxPolyDP(hull, _POLYGON_SHARE * cv2.arcLength(hull, True), True).reshape(-1, 2)
            if len(corners) == 4 and area > 0.85 * cv2.contourArea(corners):
                yield (corners.astype(np.float64) + 0.5) / scale - 0.5


def alike(one: Array, other: Array) -> bool:
    """Whether two quadrangles (4, 2) in px are the same, seen at two levels."""
    side = np.sqrt(abs(signed_area(other)))
    return bool(np.linalg.norm(one.mean(axis=0) - other.mean(axis=0)) < 0.1 * side) and bool(
        abs(abs(signed_area(one)) / abs(signed_area(other)) - 1) < 0.2
    )


def _refined(pale: Grey, rough: Array) -> Quadrangle | None:
    """Sub-pixel lines along the four sides, and where they meet; None where a side is not seen."""
    corners = rough
    for wider in (2.0, 1.0, 1.0):
        sides = []
        for one, two in pairwise([*corners, corners[0]]):
            side = _side(pale, one, two, wider)
            if side is None:
                return None
            sides.append(side)
        corners = np.array([_meeting(sides[number - 1].line, sides[number].line) for number in range(4)])
        if not np.isfinite(corners).all():
            return None
    return Quadrangle(corners, max(side.bow for side in sides), min(side.fall for side in sides))


def _side(pale: Grey, one: Array, two: Array, wider: float) -> Side | None:
    """The side between two rough corners (2,), px, looked for so many times as far; None where it is not seen."""
    length = float(np.linalg.norm(two - one))
    if length < _SHORTEST_PX:
        return None
    along = (two - one) / length
    outwards = np.array([along[1], -along[0]])  # clockwise in the photo, whose y axis points down
    reach = wider * float(np.clip(_REACH_SHARE * length, *_REACH_RANGE_PX))
    share = np.linspace(_ENDS_SHARE, 1 - _ENDS_SHARE, _ROWS)
    offsets = np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX)
    base = one + share[:, None] * (two - one)
    at = base[:, None] + offsets[None, :, None] * outwards
    level = cv2.GaussianBlur(sample(pale, at.reshape(-1, 2)).reshape(_ROWS, -1), (1, 3), 0)
    width = round(1.0 / _STEP_PX)
    fall = level[:, : -2 * width] - level[:, 2 * width :]
    where = offsets[width:-width]
    steepest = fall.argmax(axis=1)
    near = np.abs(where[None] - where[steepest][:, None]) <= _CENTRE_PX
    weight = np.where(near, np.maximum(fall, 0.0), 0.0)
    drop = fall.max(axis=1)
    places = (weight * where).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    line, on_line = _line(share, places, drop > _LEAST_FALL)
    if on_line.mean() < _SEEN_SHARE:
        return None
    curve = np.polyfit(share[on_line], places[on_line], 2)
    bow = abs(float(curve[0])) / 4 / length
    ends = [one + along * length * s + outwards * np.polyval(line, s) for s in (0.0, 1.0)]
    return Side(Line(ends[0], ends[1] - ends[0]), bow, float(np.median(drop[on_line])))


def _line(share: Array, places: Array, seen: Mask) -> tuple[Array, Mask]:
    """Straight line through most of the places (random samples, then least squares), and which lie on it."""
    which = np.flatnonzero(seen)
    if len(which) < _FEWEST_PLACES:
        return np.zeros(2), np.zeros(len(share), dtype=bool)
    generator = np.random.default_rng(1)
    pairs = generator.choice(which, (_DRAWN_LINES, 2))
    a, b = pairs[pairs[:, 0] != pairs[:, 1]].T
    slope = (places[b] - places[a]) / (share[b] - share[a])
    away = places - places[a, None] - slope[:, None] * (share - share[a, None])
    near = seen & (np.abs(away) < _ON_LINE_PX)
    best = near[near.sum(axis=1).argmax()]
    for _ in range(2):
        if best.sum() < _FEWEST_PLACES:
            break
        line = np.polyfit(share[best], places[best], 1)
        best = seen & (np.abs(places - np.polyval(line, share)) < _ON_LINE_PX)
    return (
        (np.polyfit(share[best], places[best], 1), best)
        if best.sum() >= _FEWEST_PLACES
        else (np.zeros(2), best & False)
    )


def _meeting(one: Line, two: Line) -> Array:
    """Where two lines meet (2,), px; not finite where they are parallel."""
    way, across = one.way, two.way
    turn = way[0] * across[1] - way[1] * across[0]
    if abs(turn) < _LEAST_TURN:
        return np.full(2, np.nan)
    away = two.point - one.point
    return np.asarray(one.point + way * (away[0] * across[1] - away[1] * across[0]) / turn)


def _even_inside(pale: Grey, corner_px: Array) -> bool:
    """Whether the inside is as even as blank paper."""
    share = np.linspace(0.1, 0.9, 20)
    right, down = (axis.ravel() for axis in np.meshgrid(share, share))
    weights = np.stack([(1 - right) * (1 - down), right * (1 - down), right * down, (1 - right) * down])
    level = sample(pale, weights.T @ corner_px)
    # soft light and shade, a lamp's slope or the shade of an arm, are no pattern
    design = np.polynomial.legendre.legvander2d(2 * right - 1, 2 * down - 1, (_SHADE_DEGREE, _SHADE_DEGREE))
    rest = level - design @ np.linalg.lstsq(design, level, rcond=None)[0]
    return bool(1.4826 * np.median(np.abs(rest)) < _MOST_UNEVEN / 2 and np.quantile(np.abs(rest), 0.9) < _MOST_UNEVEN)
