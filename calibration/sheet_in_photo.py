"""A sheet that was found in a photo, and how well its points are placed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calibration.arrays import Array, Indices
from calibration.homography import apply_homography, signed_area
from calibration.sheet import Layout

_PRIOR_NOISE_PX = 0.04
"""Corner noise believed before looking; the median on rendered scenes that the benchmark does not use, where the truth
is known."""

_PRIOR_FREEDOM = 6.0
"""How many misfits that belief is worth: less than a tenth of those of a whole sheet; our choice."""


@dataclass(frozen=True)
class SheetInPhoto:
    """A sheet that was found.

    Attributes
    ----------
    layout : Layout
        Which sheet it is.
    corner_index : (N,) ndarray of int
        Which of the layout's saddle points were seen.
    corner_px : (N, 2) ndarray of float
        Where they were seen, px; the centre of the first pixel is (0, 0).
    homography : (3, 3) ndarray of float
        Takes mm of the sheet's frame to px, lens distortion ignored; good for drawing and searching.
    noise_px : float
        Standard uncertainty of one coordinate of a corner, px, from the misfit to a plane seen in perspective.
    blur_px : float
        Standard deviation of the blur at the corners, px, motion included.
    """

    layout: Layout
    corner_index: Indices
    corner_px: Array
    homography: Array
    noise_px: float
    blur_px: float

    @property
    def corner_mm(self) -> Array:
        """The seen saddle points (N, 3) in mm of the sheet's frame."""
        return self.layout.corner_mm[self.corner_index]

    @cached_property
    def px_per_mm(self) -> float:
        """Mean resolution on the board, px/mm (root of the area ratio)."""
        board = self.layout.board
        outline_px = apply_homography(self.homography, board.corners_mm)
        return float(np.sqrt(abs(signed_area(outline_px)) / (board.width_mm * board.height_mm)))

    @property
    def outline_px(self) -> Array:
        """Corners of the paper (4, 2) in px: top left, top right, bottom right, bottom left of the upright page."""
        return apply_homography(self.homography, self.layout.page.corners_mm)


def pooled_noise_px(misfit_px: Array, freedom: int) -> float:
    """Corner noise from misfits, pooled with what is believed beforehand.

    Parameters
    ----------
    misfit_px : (N, 2) ndarray of float
        Misfits of corners to what was fitted to them, px.
    freedom : int
        Coordinates seen less parameters fitted.

    Returns
    -------
    float
        Standard uncertainty of one coordinate, px: the mean of the conjugate prior for a variance (a scaled inverse
        chi-squared distribution; A. Gelman et al., Bayesian Data Analysis, 3rd ed., 2.6; from memory).

    Examples
    --------
    >>> round(pooled_noise_px(np.full((38, 2), 0.04), 76), 9)
    0.04
    """
    squares = float((misfit_px**2).sum()) + _PRIOR_FREEDOM * _PRIOR_NOISE_PX**2
    return float(np.sqrt(squares / (freedom + _PRIOR_FREEDOM)))


_BEND_DEGREE = 3
"""Of the polynomials across the sheet that a bend is taken for: a bow is of the second degree, a wave of the third."""
_FLAT_FREEDOM = 8
"""Of those polynomials' coordinates, what a flat sheet's pose and perspective have taken up (a homography's eight)."""


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
