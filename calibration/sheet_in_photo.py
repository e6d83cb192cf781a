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
