"""How paper bends: the shapes that a sheet may take besides a plane, and how much of a misfit is such a shape.

Paper is not flat, and a bow of a millimetre that is taken for a plane moves camera and lens by more than all noise.  So
each sheet's surface is a polynomial of the third degree over its plane, whose few coefficients are adjusted with the
camera (`adjustment`).
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from calibration.sheet import Layout
from calibration.sheet_in_photo import SheetInPhoto

BEND_SD_MM = np.array([1.5, 1.5, 1.5, 0.7, 0.7, 0.7, 0.7])
"""Standard deviations of a sheet's bends as in `board_bends`, mm: bows and a twist of the second degree, waves of the
third; of paper that has been through a printer and is fixed at its corners or lies by itself; our assumption."""

_FEWEST_BENDING = 4
"""Corners beyond which bends are told; four fit nearly any pose."""

_BEND_DEGREE = 3
"""Of the polynomials across the sheet that a bend is taken for: a bow is of the second degree, a wave of the third."""
_FLAT_FREEDOM = 8
"""Of those polynomials' coordinates, what a flat sheet's pose and perspective have taken up (a homography's eight)."""


def board_bends(layout: Layout) -> Array:
    """How far each corner of a board leaves the sheet's plane for a unit of each bend.

    Parameters
    ----------
    layout : Layout
        With C corners.

    Returns
    -------
    (C, B) ndarray of float
        mm per mm: the polynomials of the second and third degree in the places of the board's corners over half its
        longer side, less the plane that fits them best over the whole board.  Four corners are too few for a bend, so
        that B is 0 for them and 7 else.
    """
    if len(layout.corner_mm) <= _FEWEST_BENDING:
        return np.zeros((len(layout.corner_mm), 0))
    places = layout.corner_mm[:, :2] - layout.corner_mm[:, :2].mean(axis=0)
    u, v = (2 * places / np.ptp(places, axis=0).max()).T
    bends = np.column_stack([u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3])
    plane = np.column_stack([np.ones_like(u), u, v])
    return np.asarray(bends - plane @ np.linalg.lstsq(plane, bends, rcond=None)[0])


def bends_of(sheet: SheetInPhoto) -> Array:
    """How far each corner seen leaves the sheet's plane for a unit of each bend.

    Parameters
    ----------
    sheet : SheetInPhoto
        With N corners seen.

    Returns
    -------
    (N, B) ndarray of float
        As the corners' rows of `board_bends`.
    """
    return board_bends(sheet.layout)[sheet.corner_index]


def bend_px(corner_mm: Array, misfit_px: Array) -> float:
    """How much of the corners' misfit to a flat sheet is smooth across it, as a bend's is and noise is not.

    Parameters
    ----------
    corner_mm : (N, 3) ndarray of float
        The corners on the sheet, mm.
    misfit_px : (N, 2) ndarray of float
        Their misfits to the flat sheet, px.

    Returns
    -------
    float
        Root mean square of a coordinate, px, less what noise like the rest of the misfit makes of it (the residual
        variance of a linear model; any textbook of regression); where there are too few corners to tell noise from a
        bend, all of the misfit.

    Examples
    --------
    >>> across, up = np.meshgrid(np.linspace(-90, 90, 6), np.linspace(-120, 120, 7))
    >>> sheet = np.column_stack([across.ravel(), up.ravel(), 0 * up.ravel()])
    >>> bowed = np.column_stack([0.3 * ((sheet[:, 0] / 90) ** 2 - 0.4), 0 * sheet[:, 1]])
    >>> round(bend_px(sheet, bowed) / float(np.sqrt((bowed**2).mean())), 3)
    1.0
    """
    across, up = ((corner_mm[:, :2] - corner_mm[:, :2].mean(0)) / np.ptp(corner_mm[:, :2], axis=0).max()).T
    powers = [(i, j) for i in range(_BEND_DEGREE + 1) for j in range(_BEND_DEGREE + 1 - i)]
    whole = float((misfit_px**2).sum())
    rough_freedom = misfit_px.size - 2 * len(powers)
    if rough_freedom < len(powers):
        return float(np.sqrt(whole / misfit_px.size))
    basis, _ = np.linalg.qr(np.column_stack([across**i * up**j for i, j in powers]))
    smooth = float(((basis.T @ misfit_px) ** 2).sum())
    noise = (whole - smooth) / rough_freedom
    return float(np.sqrt(max(0.0, smooth - (2 * len(powers) - _FLAT_FREEDOM) * noise) / misfit_px.size))
