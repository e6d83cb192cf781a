"""Growing a sheet from the markers that were read: the saddle points of its board, nearest first.

A read marker says which sheet it is on and roughly where the sheet is.  From there the saddle points of the board are
looked for; each must look like a saddle (white and black quarters in the right places) and lie where the plane through
those found so far puts it.  A marker read wrongly gathers no saddle points.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.arrays import Array, Grey, Indices, Mask
from calibration.homography import apply_homography, fit_homography, fit_plane
from calibration.markers import Marker
from calibration.saddle import Saddles, fit_saddles
from calibration.sampling import sample
from calibration.sheet import COLUMNS, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto, pooled_noise_px

FEWEST_CORNERS = 8
"""Fewest saddle points that make a sheet; a false reading has none or a few."""

_REACHES = (1.0, 1.5, 2.5, np.inf)
"""How far from the read markers saddle points are looked for, turn by turn, in squares; the first reaches a marker's
own square, the last the whole board.  A plane told by few points holds near them only; our choice."""

_FEWEST_ROUGH = 6
"""Saddle points that must be seen before the plane is taken from them instead of from the markers; our choice."""

_QUARTER_MM = 2.4
"""The quarters of a saddle are looked at this far along both axes; markers begin at 3.4 mm."""

_WINDOW_MM = 3.8
"""Half width of the refinement window, short of the markers' second module and of the rim's end."""

_RADIUS_RANGE_PX = (2.5, 7.0)
"""Of the fitted window: below, there are too few pixels; above, more of them cost time and tell little; our choice."""

_ROUGH_RANGE_PX = (2, 15)
"""The same for OpenCV's refinement, in whole px."""

_ROUGH_TURNS, _ROUGH_STEP_PX = 20, 0.02
"""When OpenCV's refinement stops; it is only a start for the fit; our choice."""

_WORST_MISFIT = 0.3
"""Of a fitted saddle, over its swing; 0.02 to 0.15 where nothing covers it, 0.45 on tiny sheets (on our scenes)."""

_WORST_MISFIT_MEDIANS = 1.4
"""Of a fitted saddle, over the sheet's median, where that is larger; our choice."""

_LEAST_CONTRAST, _LEAST_CONTRAST_SHARE = 8.0, 0.4
"""Of white over black quarters, in grey levels and over the sheet's median; our choice."""

_MOST_UNEVEN = 0.6
"""Of two quarters of one colour, over the contrast: more than a shadow's edge makes; our choice."""

_NARROWEST_SQUARES = 0.3
"""Root mean square distance of the saddle points from the line through them, in squares: about one square's width.
Points on a line tell no plane; our choice."""


def grow_sheet(grey: Grey, layout: SheetLayout, markers: Sequence[Marker]) -> SheetInPhoto | None:
    """Find a sheet's saddle points, nearest to the read markers first.

    Parameters
    ----------
    grey : (H, W) ndarray of uint8
        The photo.
    layout : SheetLayout
        The sheet.
    markers : sequence of Marker
        One or more of its markers.

    Returns
    -------
    SheetInPhoto or None
        None where there are too few saddle points, or none off one line.
    """
    known_mm = np.vstack([marker.corner_mm for marker in markers])
    homography = fit_homography(known_mm, np.vstack([marker.corner_px for marker in markers]))
    reach_mm = np.min(np.linalg.norm(layout.corner_mm[:, None, :2] - known_mm[None], axis=2), axis=1)
    for reach_squares in _REACHES:
        near = np.flatnonzero(reach_mm < reach_squares * layout.square_mm)
        placed, good = _rough_saddles(grey, layout, homography, near)
        if good.sum() >= _FEWEST_ROUGH:
            homography, _ = fit_plane(layout.corner_mm[near[good], :2], placed[good])
        elif reach_squares == _REACHES[-1]:
            return None
    seen = np.zeros(len(layout.corner_mm), dtype=bool)
    placed_px, blur_px = np.zeros((len(seen), 2)), np.zeros(len(seen))
    for _ in range(2):
        index, saddles = _fine_saddles(grey, layout, homography, np.flatnonzero(~seen))
        placed_px[index], blur_px[index], seen[index] = saddles.place_px, saddles.blur_px, True
        if seen.sum() < FEWEST_CORNERS:
            return None
        homography, on_plane = fit_plane(layout.corner_mm[seen, :2], placed_px[seen])
        seen[np.flatnonzero(seen)[~on_plane]] = False
    index = np.flatnonzero(seen)
    if len(index) < FEWEST_CORNERS or _too_narrow(layout.corner_mm[index, :2], layout.square_mm):
        return None
    return _judged(layout, index, placed_px[index], float(np.median(blur_px[index])))


def _edges(layout: SheetLayout, homography: Array, index: Indices) -> Array:
    """What 1 mm along x and 1 mm along y are in px at the saddle points `index`: (N, 2, 2)."""
    mm = layout.corner_mm[index, :2]
    return np.stack(
        [(apply_homography(homography, mm + step) - apply_homography(homography, mm - step)) / 2 for step in np.eye(2)],
        axis=1,
    )


def _in_view(grey: Grey, points_px: Array, border_px: float) -> Mask:
    height, width = grey.shape
    return np.asarray(((points_px >= border_px) & (points_px < [width - border_px, height - border_px])).all(1))


def _rough_saddles(grey: Grey, layout: SheetLayout, homography: Array, index: Indices) -> tuple[Array, Mask]:
    """Pull the saddle points `index` from where the plane puts them to the nearest; which are saddles indeed."""
    placed = apply_homography(homography, layout.corner_mm[index, :2])
    px_per_mm = float(np.median(np.linalg.norm(_edges(layout, homography, index), axis=2)))
    window = int(np.clip(round(_WINDOW_MM * px_per_mm), *_ROUGH_RANGE_PX))
    inside = _in_view(grey, placed, window + 2)
    if not inside.any():
        return placed, inside
    start = placed[inside].astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, _ROUGH_TURNS, _ROUGH_STEP_PX)
    found = cv2.cornerSubPix(grey, start, (window, window), (-1, -1), criteria).reshape(-1, 2).astype(np.float64)
    shift = np.zeros_like(placed)
    shift[inside] = found - placed[inside]
    near = np.linalg.norm(shift, axis=1) < window + 0.5
    good = inside & near & _looks_like_saddle(grey, layout, homography, index, shift)
    return placed + shift, good


def _fine_saddles(grey: Grey, layout: SheetLayout, homography: Array, index: Indices) -> tuple[Indices, Saddles]:
    """Fit the saddle points `index` near where the plane puts them; those that are saddles indeed."""
    expected = apply_homography(homography, layout.corner_mm[:, :2])
    edges = _edges(layout, homography, np.arange(len(expected)))
    radius = float(np.clip(_WINDOW_MM * np.median(np.linalg.norm(edges, axis=2)), *_RADIUS_RANGE_PX))
    index = index[_in_view(grey, expected[index], radius + 1)]
    if not len(index):
        return index, Saddles(np.empty((0, 2)), np.empty(0), np.empty(0), np.empty(0))
    saddles = fit_saddles(grey, expected[index], edges[index], radius)
    shift = saddles.place_px - expected[index]
    good = (np.linalg.norm(shift, axis=1) < 1 + radius / 2) & _looks_like_saddle(grey, layout, homography, index, shift)
    if good.any():
        good &= saddles.misfit < max(_WORST_MISFIT, _WORST_MISFIT_MEDIANS * float(np.median(saddles.misfit[good])))
    return index[good], saddles.chosen(good)


def _looks_like_saddle(grey: Grey, layout: SheetLayout, homography: Array, index: Indices, shift_px: Array) -> Mask:
    """Whether the quarters about points, `shift_px` from where the plane puts them, are white and black as printed."""
    mm = layout.corner_mm[index, :2]
    quarters = _QUARTER_MM * np.array([(-1, 1), (1, -1), (1, 1), (-1, -1)])
    level = sample(grey, apply_homography(homography, mm[:, None] + quarters) + shift_px[:, None])
    # at a point of even column plus row, counted from the core's upper left corner, the upper left quarter is black
    row, column = np.divmod(index, COLUMNS + 1)
    odd = row % 2 != column % 2
    black = np.where(odd[:, None], level[:, 2:], level[:, :2])
    white = np.where(odd[:, None], level[:, :2], level[:, 2:])
    contrast = white.mean(1) - black.mean(1)
    clear = np.asarray(contrast > _LEAST_CONTRAST)
    if not clear.any():
        return clear
    usual = np.median(contrast[contrast > 0])
    uneven = np.maximum(np.ptp(black, axis=1), np.ptp(white, axis=1))
    return np.asarray(clear & (contrast > _LEAST_CONTRAST_SHARE * usual) & (uneven < _MOST_UNEVEN * contrast))


def _judged(layout: SheetLayout, index: Indices, corner_px: Array, blur_px: float) -> SheetInPhoto:
    mm = layout.corner_mm[index, :2]
    homography = fit_homography(mm, corner_px)
    misfit = apply_homography(homography, mm) - corner_px
    freedom = max(misfit.size - 8, 1)
    return SheetInPhoto(
        layout=layout,
        corner_index=index,
        corner_px=corner_px,
        homography=homography,
        noise_px=pooled_noise_px(misfit, freedom),
        blur_px=blur_px,
    )


def _too_narrow(mm: Array, square_mm: float) -> bool:
    """Whether points span less than one square across their long direction."""
    _, across = np.linalg.svd(mm - mm.mean(0), compute_uv=False)
    return bool(across / np.sqrt(len(mm)) < _NARROWEST_SQUARES * square_mm)
