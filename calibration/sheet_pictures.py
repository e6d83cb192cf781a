"""The three small drawings on the sheet: a ruler at the bar, how the child stands, and how the instrument lies."""

from __future__ import annotations

import numpy as np

from calibration.sheet import Box
from calibration.sheet_shapes import Points, Polygon, Rectangle, Shape, Stroke


def _smooth(points: Points) -> Points:
    """A smooth closed line through the points (Catmull-Rom)."""
    knots = np.array(points)
    share = np.arange(12)[:, None] / 12
    pieces = []
    for before, start, end, after in zip(
        np.roll(knots, 1, 0), knots, np.roll(knots, -1, 0), np.roll(knots, -2, 0), strict=True
    ):
        slope_start, slope_end = (end - before) / 2, (after - start) / 2
        step = end - start
        pieces.append(
            start
            + slope_start * share
            + (3 * step - 2 * slope_start - slope_end) * share**2
            + (slope_start + slope_end - 2 * step) * share**3
        )
    path = np.vstack([*pieces, knots[:1]])
    return tuple((float(x), float(y)) for x, y in path)


def _placed(points: Points, at_mm: tuple[float, float], scale: float = 1.0, turn_deg: float = 0.0) -> Points:
    cosine, sine = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return tuple(
        (at_mm[0] + scale * float(cosine * x - sine * y), at_mm[1] + scale * float(sine * x + cosine * y))
        for x, y in points
    )


def _circle(at_mm: tuple[float, float], radius_mm: float) -> Points:
    angles = np.linspace(0, 2 * np.pi, 41)
    return tuple((at_mm[0] + radius_mm * float(np.cos(a)), at_mm[1] + radius_mm * float(np.sin(a))) for a in angles)


def _small_sheet(at_mm: tuple[float, float], height_mm: float, turn_deg: float = 0.0) -> list[Shape]:
    """A sheet with a little chessboard on it; `at_mm` is its centre."""
    outline = ((-0.35, -0.5), (0.35, -0.5), (0.35, 0.5), (-0.35, 0.5), (-0.35, -0.5))
    shapes: list[Shape] = [
        Polygon(_placed(outline, at_mm, height_mm, turn_deg), white=True),
        Stroke(_placed(outline, at_mm, height_mm, turn_deg), 0.25),
    ]
    side = 0.13
    for row in range(5):
        for column in range(4):
            if (row + column) % 2 == 0:
                left, top = -0.26 + side * column, 0.4 - side * row
                cell = ((left, top), (left + side, top), (left + side, top - side), (left, top - side))
                shapes.append(Polygon(_placed(cell, at_mm, height_mm, turn_deg)))
    return shapes


def ruler_picture(room: Box) -> list[Shape]:
    """A ruler laid along a bar with end marks; about 22 x 20 mm."""
    y = room.top - 3.0
    bar = Box(room.left + 1.0, y - 0.6, room.right - 1.0, y + 0.6)
    shapes: list[Shape] = [Rectangle(bar)]
    for x in (bar.left, bar.right - 0.5):
        shapes.append(Rectangle(Box(x, y - 2.0, x + 0.5, y + 2.0)))
    ruler = ((room.left, y - 2.6), (room.right, y - 2.6), (room.right, y - 9.0), (room.left, y - 9.0))
    shapes.append(Stroke((*ruler, ruler[0]), 0.3))
    ticks = 15
    for number in range(ticks + 1):
        x = bar.left + bar.width_mm * number / ticks
        deep = 2.8 if number % 5 == 0 else 1.6
        shapes.append(Stroke(((x, y - 2.6), (x, y - 2.6 - deep)), 0.25))
    return shapes


def child_picture(room: Box) -> list[Shape]:
    """A child with one arm out along the wall, the sheet on the wall above the arm; about 37 x 22 mm."""
    x, y = room.left + 9.0, room.bottom
    shapes: list[Shape] = [Stroke(((room.left, y), (room.right, y)), 0.25)]
    shapes += _small_sheet((x + 10.5, y + 19.6), 7.5)
    body = ((-2.6, 13.6), (2.6, 13.6), (2.4, 7.2), (-2.4, 7.2))
    shapes.append(Polygon(_placed((*body, body[0]), (x, y))))
    shapes.append(Polygon(_circle((x, y + 17.1), 2.2)))
    shapes.append(Rectangle(Box(x - 0.7, y + 13.2, x + 0.7, y + 15.4)))
    for side in (-1, 1):
        shapes.append(Stroke(((x + side * 1.3, y + 7.4), (x + side * 1.4, y + 0.8)), 1.5))
    shapes.append(Stroke(((x - 2.2, y + 13.0), (x - 3.2, y + 7.0)), 1.3))
    shapes.append(Stroke(((x + 2.2, y + 12.9), (x + 13.6, y + 12.9)), 1.3))
    shapes.append(Polygon(_smooth(_placed(_HAND, (x + 13.4, y + 12.9)))))
    return shapes


_HAND: Points = ((0.0, 0.6), (1.4, 1.0), (4.2, 0.6), (4.2, -0.6), (1.4, -1.0), (0.0, -0.6))
"""Drawn by eye, mm on the sheet, as are the instrument's body, neck and scroll."""

# half the body, from its upper edge down, by eye, mm
_BODY_HALF: Points = (
    (0.35, 0.0),
    (1.7, -0.35),
    (2.45, -1.5),
    (2.35, -2.7),
    (2.1, -3.5),
    (1.65, -4.4),
    (1.65, -5.4),
    (2.1, -6.2),
    (2.9, -7.0),
    (3.1, -8.4),
    (2.5, -10.0),
    (1.2, -10.6),
)
_NECK: Points = ((0.34, -2.6), (0.24, 5.2), (-0.24, 5.2), (-0.34, -2.6), (0.34, -2.6))
_SCROLL: Points = ((0.28, 4.8), (0.5, 5.6), (0.45, 6.9), (0.0, 7.4), (-0.45, 6.9), (-0.5, 5.6), (-0.28, 4.8))
"""By eye, mm."""


def instrument_picture(room: Box) -> list[Shape]:
    """An instrument on its back, seen from above, with the sheet beside it; about 38 x 20 mm."""
    at, scale, turn = (room.left + 10.0, room.bottom + 5.0), 1.3, 90.0
    outline = (*_BODY_HALF, (0.0, -10.7), *((-x, y) for x, y in reversed(_BODY_HALF)))
    white_board = tuple((0.55 * x, 0.75 * y - 0.6) for x, y in _NECK[:4])
    shapes: list[Shape] = [
        Polygon(_placed(_smooth(outline), at, scale, turn)),
        Polygon(_placed(_NECK, at, scale, turn)),
        Polygon(_placed(_smooth(_SCROLL), at, scale, turn)),
        Polygon(_placed((*white_board, white_board[0]), at, scale, turn), white=True),
        Polygon(_placed(((-0.9, -6.6), (0.9, -6.6), (0.9, -6.3), (-0.9, -6.3)), at, scale, turn), white=True),
    ]
    shapes += _small_sheet((room.left + 15.0, room.bottom + 15.5), 10.0, 4.0)
    return shapes
