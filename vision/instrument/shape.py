"""What bodies of violins look like from the front: a symmetric outline with a prior.

Every violin body is drawn by the same ten curves on each side (lower bout, corner, waist, corner, upper bout), and
instruments differ by how those curves are placed.  The outline here is a fixed list of nodes from the lower end to the
upper end of the right half; the left half is its mirror image.  A body is

    node = length * (mean + sum of weight_k * mode_k),   x further scaled by a width factor,

with independent weights of unit variance.  Mean and modes are the mean and the principal components of (1) outlines
whose control points move and (2) a smooth random displacement along the normal (a Gaussian process) that
lets the outline follow a body which the curves cannot draw.  All modes leave the two ends on the axis where they are,
so the length alone says where the ends lie; what hides an end (fingerboard, chin rest) is bridged by the prior.

Proportions: widths 168, 112 and 208 mm at 356 mm of length (published measurements of full-size violins: 168, 112,
206).  The spreads are a judgement: about one and a half times those between good outlines of one school, plus 0.7 mm of
free form at full size.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from calibration.arrays import Array, Mask

FULL_SIZE_MM = 356.0
"""Body length at which the control points are given, in mm."""

MODES = 22
"""Number of modes kept; the rest is below a tenth of a millimetre at full size."""

_MOVES = 16
"""Ways in which the control points move (see `_drawn_half`)."""
_SPREAD = 1.5
"""Factor on the spreads between good outlines of one school (see above)."""
_FREE_FORM_MM = 0.7
"""Standard deviation of the free form at full size; our judgement."""
_FREE_FORM_REACH_MM = 30.0
"""Way along the edge over which the free form keeps its sign, at full size: a bout's worth; our judgement."""
_NODES_PER_CURVE = (44, 22, 12, 3, 24, 18, 3, 12, 18, 40)
"""Nodes on each of the ten curves: every 2 mm or so where the edge bends, fewer where it runs straight."""
_TIP_CURVES = (3, 6)
"""Which of the curves are the corners' blunt ends."""
_FINE = 60
"""Points by which a curve's length is measured."""


@dataclass(frozen=True)
class OutlinePrior:
    """The family of half outlines, in units of the body length.

    Attributes
    ----------
    mean : (N, 2) ndarray
        Nodes of the right half (x >= 0 to the treble side, y from the lower end 0 to the upper end 1).
    modes : (K, N, 2) ndarray
        Displacement of the nodes per unit weight of each mode; zero at the first and the last node.
    at_corner : (N,) ndarray of bool
        Nodes on or beside the four corner tips, where the two plates' lines cross and edges are not to be trusted.
    """

    mean: Array
    modes: Array
    at_corner: Mask

    def half(self, weights: Array, width_factor: float) -> Array:
        """Right half (N, 2) in units of the body length for the mode `weights` (K,)."""
        nodes = self.mean + np.tensordot(weights, self.modes, axes=1)
        scaled: Array = nodes * np.array([width_factor, 1.0])
        return scaled

    def closed(self, weights: Array, width_factor: float) -> Array:
        """Whole outline (2 N - 2, 2), anticlockwise from the lower end: right half, then the mirrored left half."""
        return _mirrored(self.half(weights, width_factor))

    @cached_property
    def closed_modes(self) -> Array:
        """Displacement, across and along (2, 2 N - 2, K), of the whole outline's nodes per unit weight of each mode."""
        return np.ascontiguousarray(
            np.moveaxis(np.array([_mirrored(mode) for mode in self.modes]), 0, -1).swapaxes(0, 1)
        )


def _mirrored(half: Array) -> Array:
    """The right half (N, 2) and its mirror image, its ends once: (2 N - 2, 2)."""
    return np.vstack([half, (half * [-1.0, 1.0])[-2:0:-1]])


@cache
def outline_prior() -> OutlinePrior:
    """Outline family, computed once."""
    mean = _drawn_half(np.zeros(_MOVES))
    # the outline is nearly linear in the moves, so their effects are the family's directions of variation
    effects = [(_drawn_half(move) - _drawn_half(-move)).ravel() / 2 for move in np.eye(_MOVES)]
    directions = np.array(effects)
    covariance = directions.T @ directions + _free_form_covariance(mean)
    values, vectors = np.linalg.eigh(covariance)
    keep = np.argsort(values)[::-1][:MODES]
    modes = (np.sqrt(values[keep]) * vectors[:, keep]).T.reshape(MODES, -1, 2)
    modes[:, [0, -1], :] = 0.0
    tips = np.zeros(len(mean), dtype=bool)
    starts = 1 + np.concatenate([[0], np.cumsum(_NODES_PER_CURVE)])
    for curve in _TIP_CURVES:
        tips[starts[curve] - 2 : starts[curve + 1] + 2] = True
    return OutlinePrior(mean, modes, tips)


def _drawn_half(moves: Array) -> Array:
    """One half outline (N, 2) in units of its length; `moves` (16,) of the control points in units of their spread.

    The numbers are mm at full size: our own drawing, to the widths named above, and spreads by judgement.
    """
    step = _SPREAD * moves
    lower, middle, upper = (
        np.array(point) + step[2 * i : 2 * i + 2] * np.array(spread)
        for i, (point, spread) in enumerate(
            (((103.8, 74.0), (0.9, 2.2)), ((55.6, 190.0), (0.9, 2.6)), ((84.0, 288.0), (0.8, 2.2)))
        )
    )
    corner = np.array([92.0, 143.5]) + step[6:8] * np.array([1.3, 2.0])
    upper_corner = np.array([77.2, 229.5]) + step[8:10] * np.array([1.1, 2.0])
    full_low, full_up, flat_low, flat_up = 1 + step[10:14] * np.array([0.06, 0.06, 0.05, 0.05])
    before_corner = corner + _by(0.5 * step[14] - 3.4, -21.0)
    after_corner = upper_corner + _by(0.5 * step[15] - 2.6, 17.5)
    tip_low = corner + _by(0.9, -2.3), corner + _by(-1.4, 2.6)
    tip_up = upper_corner + _by(-1.6, -2.7), upper_corner + _by(0.6, 2.3)
    top = np.array([0.0, FULL_SIZE_MM])
    curves = (
        ((0, 0), (59 * flat_low, 0), (lower[0], 27 * full_low), lower),
        (lower, lower + _by(0, 22), before_corner + _by(2.86, -12.675), before_corner),
        (before_corner, before_corner + _by(-1.54, 6.825), tip_low[0] - _by(4.96, 6.24), tip_low[0]),
        (tip_low[0], tip_low[0] * 2 / 3 + tip_low[1] / 3, tip_low[0] / 3 + tip_low[1] * 2 / 3, tip_low[1]),
        (tip_low[1], tip_low[1] + _by(-21, 2.1), middle - _by(0, 22), middle),
        (middle, middle + _by(0, 18), tip_up[0] - _by(13, 1.3), tip_up[0]),
        (tip_up[0], tip_up[0] * 2 / 3 + tip_up[1] / 3, tip_up[0] / 3 + tip_up[1] * 2 / 3, tip_up[1]),
        (tip_up[1], tip_up[1] + _by(-4.2, 5.6), after_corner - _by(0.9, 5.94), after_corner),
        (after_corner, after_corner + _by(1.8, 11.88), upper - _by(0, 16), upper),
        (upper, upper + _by(0, 37 * full_up), top + _by(47 * flat_up, 0), top),
    )
    pieces = [np.zeros((1, 2))]
    for points, count in zip(curves, _NODES_PER_CURVE, strict=True):
        pieces.append(_even(_bezier(*(np.asarray(p, dtype=float) for p in points)), count))
    half: Array = np.vstack(pieces) / FULL_SIZE_MM
    return half


def _by(x: float, y: float) -> Array:
    return np.array([x, y])


def _bezier(p0: Array, p1: Array, p2: Array, p3: Array) -> Array:
    t = np.linspace(0.0, 1.0, _FINE)[:, None]
    curve: Array = (1 - t) ** 3 * p0 + 3 * (1 - t) ** 2 * t * p1 + 3 * (1 - t) * t**2 * p2 + t**3 * p3
    return curve


def _even(curve: Array, count: int) -> Array:
    """`count` points evenly along the curve, its start left out, its end included."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    wanted = np.linspace(0.0, along[-1], count + 1)[1:]
    return np.stack([np.interp(wanted, along, curve[:, axis]) for axis in (0, 1)], axis=1)


def _free_form_covariance(mean: Array) -> Array:
    """Covariance (2 N, 2 N) of a smooth displacement along the normal that is zero at both ends of the half."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(mean, axis=0), axis=1))])
    reach, sigma = _FREE_FORM_REACH_MM / FULL_SIZE_MM, _FREE_FORM_MM / FULL_SIZE_MM
    # Mirrored copies make the displacement symmetric about the axis, hence level at the ends.
    distance = along[:, None] - along[None, :]
    kernel = sum(
        np.exp(-0.5 * (shifted / reach) ** 2)
        for shifted in (distance, along[:, None] + along[None, :], 2 * along[-1] - along[:, None] - along[None, :])
    )
    ends = [0, len(along) - 1]
    pinned = kernel - kernel[:, ends] @ np.linalg.solve(kernel[np.ix_(ends, ends)], kernel[ends])
    tangent = np.gradient(mean, along, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    spread = (sigma**2 * pinned)[:, None, :, None] * normal[:, :, None, None] * normal[None, None, :, :]
    covariance: Array = spread.reshape(2 * len(mean), 2 * len(mean))
    return covariance
