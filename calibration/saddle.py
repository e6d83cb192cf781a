"""Placing saddle points: a blurred crossing of two edges is fitted to the picture.

Where four squares meet, the picture is black and white in opposite quarters, blurred by lens, sensor and compression.
The edges' directions are known from where the board lies.  So the grey levels about a saddle point are

    level = middle + swing * E(u / blur) * E(v / blur),    E(t) = erf(t / sqrt 2),

with u and v the distances in px from the two edges: exact for a Gaussian blur and square corners, and nearly so
for what perspective makes of them.  Middle, swing, blur and the saddle point's place are found by Gauss-Newton, all
saddle points of a board at once.  Over-exposure and the camera's tone curve change E, but alike on opposite sides of
the point, so they do not shift it.  Weights fall off towards the edge of the window, beyond which the markers begin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from calibration.arrays import Array, Mask, Picture

_TURNS = 8  # at most; our choice, three are usual
_USUAL_BLUR_PX = 0.9  # pulled towards, weakly; a phone's sharp photo has 0.5 to 1 px
_BLUR_RANGE_PX = (0.35, 4.0)  # a pixel is as wide as the least; beyond the most no corner is told
_LONGEST_STEP_PX = 0.7  # in one turn, so that a neighbour is not run to; our choice
_SMALL_STEP_PX = 0.003  # steps shrink about tenfold each turn: what is left is far below the noise


@dataclass(frozen=True)
class Saddles:
    """Fitted saddle points: place (N, 2) in px, swing (N,) in grey levels, blur (N,) in px, relative misfit (N,)."""

    place_px: Array
    swing: Array
    blur_px: Array
    misfit: Array

    def chosen(self, which: Mask) -> Saddles:
        """Some of them."""
        return Saddles(self.place_px[which], self.swing[which], self.blur_px[which], self.misfit[which])


def fit_saddles(grey: Picture, start_px: Array, edges_px: Array, radius_px: float) -> Saddles:
    """Fit saddle points.

    Parameters
    ----------
    grey : (H, W) ndarray of uint8
        The photo.
    start_px : (N, 2) ndarray of float
        Where to begin, within about a pixel.
    edges_px : (N, 2, 2) ndarray of float
        Directions in the photo of the board's x axis and y axis at each point; lengths do not matter.
    radius_px : float
        Radius of the window; weights are a Gaussian of half this standard deviation.

    Returns
    -------
    Saddles
        A positive swing means that the quarter between the two positive directions is white.
    """
    normal_u, normal_v = _normals(edges_px)
    reach = int(np.ceil(radius_px))
    across, down = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    grid = np.column_stack([across.ravel(), down.ravel()]).astype(np.float64)
    base = np.round(start_px)
    pixels = base[:, None] + grid
    columns = pixels[..., 0].astype(np.intp).clip(0, grey.shape[1] - 1)
    rows = pixels[..., 1].astype(np.intp).clip(0, grey.shape[0] - 1)
    level = grey[rows, columns].astype(np.float64)
    place, log_blur = start_px - base, np.full(len(base), np.log(_USUAL_BLUR_PX))
    for _ in range(_TURNS):
        offset = grid[None] - place[:, None]
        weight = np.exp(-(offset**2).sum(2) / (2 * (0.5 * radius_px) ** 2))
        blur = np.exp(log_blur)[:, None]
        u, v = (offset * normal_u[:, None]).sum(2) / blur, (offset * normal_v[:, None]).sum(2) / blur
        edge_u, edge_v = erf(u / np.sqrt(2)), erf(v / np.sqrt(2))
        slope_u, slope_v = (np.sqrt(2 / np.pi) * np.exp(-(t**2) / 2) for t in (u, v))
        middle, swing = _levels(weight, level, edge_u * edge_v)
        rest = level - middle[:, None] - swing[:, None] * edge_u * edge_v
        by_place = -(
            (slope_u * edge_v / blur)[..., None] * normal_u[:, None]
            + (slope_v * edge_u / blur)[..., None] * normal_v[:, None]
        )
        by_blur = -(slope_u * u * edge_v + slope_v * v * edge_u)
        shape = np.concatenate([by_place, by_blur[..., None]], axis=2) * swing[:, None, None]
        design = np.concatenate([np.ones_like(level)[..., None], (edge_u * edge_v)[..., None], shape], axis=2)
        step = _step(weight, design, rest, swing, log_blur)
        place = place + np.clip(step[:, 2:4], -_LONGEST_STEP_PX, _LONGEST_STEP_PX)
        log_blur = np.clip(log_blur + np.clip(step[:, 4], -0.3, 0.3), *np.log(_BLUR_RANGE_PX))
        if np.quantile(np.abs(step[:, 2:4]), 0.9) < _SMALL_STEP_PX:
            break
    misfit = np.sqrt((weight * rest**2).sum(1) / weight.sum(1)) / np.maximum(np.abs(swing), 1.0)
    return Saddles(base + place, swing, np.exp(log_blur), misfit)


def _normals(edges_px: Array) -> tuple[Array, Array]:
    """Unit normals (N, 2) of the two edges: of the edge along y, pointing along x, and the other way round."""
    along_x, along_y = edges_px[:, 0], edges_px[:, 1]
    normals = []
    for edge, towards in ((along_y, along_x), (along_x, along_y)):
        normal = np.column_stack([-edge[:, 1], edge[:, 0]])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        normals.append(normal * np.sign((normal * towards).sum(1, keepdims=True)))
    return normals[0], normals[1]


def _levels(weight: Array, level: Array, pattern: Array) -> tuple[Array, Array]:
    """Middle grey level and swing that fit best: a weighted straight line of level over pattern."""
    total = weight.sum(1)
    mean_level, mean_pattern = (weight * level).sum(1) / total, (weight * pattern).sum(1) / total
    away = pattern - mean_pattern[:, None]
    swing = (weight * (level - mean_level[:, None]) * away).sum(1) / np.maximum((weight * away**2).sum(1), 1e-9)
    return mean_level - swing * mean_pattern, swing


def _step(weight: Array, design: Array, rest: Array, swing: Array, log_blur: Array) -> Array:
    """One Gauss-Newton step (N, 5) of middle, swing, place and logarithm of the blur."""
    weighted = design * weight[..., None]
    matrix = weighted.transpose(0, 2, 1) @ design
    right = (weighted * rest[..., None]).sum(1)
    pull = 1e-3 * weight.sum(1) * swing**2
    matrix[:, 4, 4] += pull
    right[:, 4] += pull * (np.log(_USUAL_BLUR_PX) - log_blur)
    matrix += 1e-6 * np.trace(matrix, axis1=1, axis2=2)[:, None, None] * np.eye(5)
    return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0])
