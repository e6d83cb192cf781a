"""Which sheet a board of saddle points is, and which of its squares is which, by all of its markers together.

A board is grown from a marker or two, and where their modules are hardly wider than a pixel one may be misread: it then
names another sheet, of another size of square, and every length is 6 % wrong.  Once the board's saddle points are found
to a hundredth of a square, every module of every marker is known to lie at one place under each hypothesis: sheet,
quarter turn, and shift by whole squares.  The hypothesis whose markers correlate best on the mean with what is seen is
the right one; fifteen markers of 36 modules leave no doubt where one does.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from calibration.arrays import Array, Grey
from calibration.homography import apply_homography
from calibration.markers import Marker, turned_templates
from calibration.sampling import sample
from calibration.sheet import (
    COLUMNS,
    MARKER_MODULES,
    MARKER_SHARE,
    ROWS,
    SheetLayout,
    all_layouts,
    is_black,
    marker_modules,
)
from calibration.sheet_in_photo import SheetInPhoto

_BEYOND = 6
"""Squares about the board that are looked at: a board that is shifted by more shows hardly any marker; our choice."""
_BETTER = 0.12
"""By how much another hypothesis must correlate better: a wrong one has a standard deviation of 0.25 / sqrt(15) = 0.065
(sixteen modules, fifteen markers), the right one 0.4 and more."""
_SURE, _LEAST = 0.5, 0.3
"""Mean correlation of the markers that are read from which a board is what it was thought to be, and below which it is
none of ours unless it is another one: the sheets of the sample photos have 0.97 to 1.00, down to 0.63 px/mm, and wrong
hypotheses 0.31 at most (2500 of each of 26 sheets)."""
_LEAST_SPREAD = 8.0
"""Norm of a marker's 36 grey levels about their mean below which there is nothing to read; our choice."""


@dataclass(frozen=True)
class _Hypothesis:
    """A sheet, turned by quarters clockwise and shifted by squares right and down, and how well it correlates."""

    layout: SheetLayout
    turn: int
    shift: tuple[int, int]
    correlation: float


def named(grey: Grey, sheet: SheetInPhoto) -> list[Marker] | None:
    """What a found board really is.

    Parameters
    ----------
    grey : (H, W) ndarray of uint8
        The photo.
    sheet : SheetInPhoto
        A printed sheet as it was grown.

    Returns
    -------
    list of Marker or None
        The markers of the right sheet, placed by the board's plane, where it is another one than was thought; empty
        where it is what it was thought to be; None where it is no sheet of ours, such as one seen in a mirror.
    """
    layout = sheet.layout
    if not isinstance(layout, SheetLayout):
        return []
    own = np.array(_marker_cells())
    mine = np.diag(_correlations(grey, sheet, own)[:, 0, layout.marker_ids.start : layout.marker_ids.stop])
    readable = mine[mine != 0]
    known = float(readable.mean()) if len(readable) else 0.0
    if known > _SURE:
        return []
    cells = [
        (column, row)
        for row in range(-_BEYOND, ROWS + _BEYOND)
        for column in range(-_BEYOND, COLUMNS + _BEYOND)
        if not is_black(column, row)
    ]
    seen = _correlations(grey, sheet, np.array(cells))
    every = [each for other in all_layouts() for turn in range(4) for each in _hypotheses(other, turn, cells, seen)]
    best = max(every, key=lambda each: each.correlation)
    if best.correlation > max(known, _LEAST) + _BETTER:
        return _markers(sheet, best)
    return [] if known > _LEAST else None


def _marker_cells() -> list[tuple[int, int]]:
    """Squares (column, row) of a sheet's markers, in their order."""
    return [(column, row) for row in range(ROWS) for column in range(COLUMNS) if not is_black(column, row)]


def _correlations(grey: Grey, sheet: SheetInPhoto, cells: Array) -> Array:
    """Of the modules in each cell (K, 2) with every marker in four turns: (K, 4, 120)."""
    share = (np.arange(1, MARKER_MODULES - 1) + 0.5) / MARKER_MODULES  # the outermost ring is black in every marker
    across, down = np.meshgrid(share, share)
    inside = (1 - MARKER_SHARE) / 2 + MARKER_SHARE * np.column_stack([across.ravel(), down.ravel()])
    at_px = _to_px(sheet, cells[:, None] + inside)
    modules = sample(grey, at_px)
    height, width = grey.shape
    lowest, highest = (np.asarray(limit(at_px, axis=1)) for limit in (np.min, np.max))
    within = (lowest >= 0).all(axis=1, keepdims=True) & (highest <= [width - 1, height - 1]).all(axis=1, keepdims=True)
    modules -= modules.mean(axis=1, keepdims=True)
    spread = np.linalg.norm(modules, axis=1, keepdims=True)
    readable = within & (spread > _LEAST_SPREAD)
    unit = np.where(readable, modules / np.maximum(spread, _LEAST_SPREAD), 0.0)
    return np.asarray((unit @ _templates().T).reshape(len(cells), 4, -1))


@cache
def _templates() -> Array:
    """Inner modules of all markers in four turns, (4 * 120, 16), as of `turned_templates`."""
    return turned_templates(marker_modules()[:, 1:-1, 1:-1])


def _to_px(sheet: SheetInPhoto, squares: Array) -> Array:
    """Places (..., 2) counted in squares from the core's upper left corner, right and down, to px."""
    layout = sheet.layout
    assert isinstance(layout, SheetLayout)
    mm = np.array([layout.core.left, layout.core.top]) + squares * (layout.square_mm, -layout.square_mm)
    return apply_homography(sheet.homography, mm)


def _turned(places: Array, turn: int) -> Array:
    """Places (N, 2), right and down, turned by quarters clockwise about the origin."""
    x, y = places.T
    return np.column_stack([(x, y), (-y, x), (-x, -y), (y, -x)][turn])


def _hypotheses(layout: SheetLayout, turn: int, cells: list[tuple[int, int]], seen: Array) -> list[_Hypothesis]:
    """Every shift of a sheet in one turn, with its markers' mean correlation, 0 of those outside the photo."""
    turned = _turned(np.array(_marker_cells()), turn).astype(int)
    number = {cell: place for place, cell in enumerate(cells)}
    found = []
    scores = seen[:, turn, layout.marker_ids.start : layout.marker_ids.stop]
    for first in cells:
        shift = np.array(first) - turned[0]
        squares = [(int(column), int(row)) for column, row in turned + shift]
        placed = [number[square] for square in squares if square in number]
        if len(placed) < len(squares):  # a part of the board would lie beyond what is looked at
            continue
        correlation = float(np.mean(scores[placed, np.arange(len(placed))]))
        found.append(_Hypothesis(layout, turn, (int(shift[0]), int(shift[1])), correlation))
    return found


def _markers(sheet: SheetInPhoto, found: _Hypothesis) -> list[Marker]:
    """The markers of a hypothesis, in px by the board's plane."""
    half = np.array([[0.5, 0.5]])
    shift = np.array(found.shift) + half - _turned(half, found.turn)
    core, square_mm = found.layout.core, found.layout.square_mm
    markers = []
    for box in found.layout.marker_boxes:
        squares = (box.corners_mm - [core.left, core.top]) / (square_mm, -square_mm)
        markers.append(Marker(found.layout, box.corners_mm, _to_px(sheet, _turned(squares, found.turn) + shift)))
    return markers
