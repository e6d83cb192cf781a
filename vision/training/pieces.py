"""Bent sheets, rods, boxes and balls, each as a `Skin` with exact edges and as many small flat pieces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array, Mask

STEP_MM = 0.36
"""Distance of neighbouring pieces."""
VARNISHED, FITTING, CHIN_REST, SHOULDER_REST = range(4)
"""What of an instrument a piece belongs to."""
DULL, VARNISH, POLISH, METAL = range(4)
"""How a piece shines."""


@dataclass(frozen=True)
class Finish:
    """How something looks: its colour (3,), or one for each of its places (n, m, 3); its part; how it shines."""

    colour: Array
    part: int
    shine: int


@dataclass(frozen=True)
class Skin:
    """A bent sheet: places (n, m, 3) with straight lines between them, in one colour (3,) or one for each (n, m, 3)."""

    grid: Array
    colours: Array
    part: int
    shine: int
    kept: Mask | None = None
    """The meshes (n - 1, m - 1) that are there; None for all."""


@dataclass(frozen=True)
class Patch:
    """Small flat pieces: places (N, 3), normals (N, 3) of either sense, colours (N, 3), and the sheet they lie on."""

    places: Array
    normals: Array
    colours: Array
    part: int
    shine: int
    skin: Skin | None = None


def sheet(grid: Array, finish: Finish, round_across: bool = False) -> Patch:
    """Pieces on a bent sheet given by a grid of places (n, m, 3), whose last column may be joined to its first."""
    if round_across:
        grid = np.concatenate([grid, grid[:, :1]], axis=1)
    down = np.linalg.norm(np.diff(grid, axis=0), axis=2).mean(axis=1).sum()
    across = np.linalg.norm(np.diff(grid, axis=1), axis=2).sum(axis=1).max()
    n, m = max(int(down / STEP_MM) + 1, 2), max(int(across / STEP_MM) + 1, 2)
    rows, cols = np.linspace(0, len(grid) - 1, n), np.linspace(0, grid.shape[1] - 1, m)
    fine = _between(_between(grid, rows).transpose(1, 0, 2), cols).transpose(1, 0, 2)
    normal = np.cross(_slope(fine, 0), _slope(fine, 1))
    normal /= np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-9)
    places = fine.reshape(-1, 3)
    colour, part, shine = np.asarray(finish.colour), finish.part, finish.shine
    colours = np.broadcast_to(colour, fine.shape).reshape(-1, 3)
    return Patch(places, normal.reshape(-1, 3), colours, part, shine, Skin(grid, colour, part, shine))


def _between(grid: Array, at: Array) -> Array:
    low = np.clip(at.astype(int), 0, len(grid) - 2)
    share = (at - low)[:, None, None]
    mixed: Array = grid[low] * (1 - share) + grid[low + 1] * share
    return mixed


def _slope(grid: Array, axis: int) -> Array:
    return np.asarray(np.gradient(grid, axis=axis))


def tube(path: Sequence[Sequence[float]], radii: Sequence[float], finish: Finish) -> Patch:
    """A round rod along a path, with flat ends."""
    line, sizes = np.asarray(path, float), np.asarray(radii, float)
    line = np.concatenate([line[:1], line, line[-1:]])
    sizes = np.concatenate([[0.01], np.broadcast_to(sizes, len(line) - 2), [0.01]])
    way = np.gradient(line[1:-1], axis=0) if len(line) > 4 else np.repeat(line[-1:] - line[:1], len(line) - 2, axis=0)
    way = np.concatenate([way[:1], way, way[-1:]])
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    aside = np.cross(way, [0.0, 0, 1] if abs(way[0, 2]) < 0.9 else [1.0, 0, 0])
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    above = np.cross(way, aside)
    turn = np.linspace(0, 2 * np.pi, 14)
    ring = np.cos(turn)[None, :, None] * aside[:, None] + np.sin(turn)[None, :, None] * above[:, None]
    return sheet(line[:, None] + sizes[:, None, None] * ring, finish)


def block(low: Sequence[float], high: Sequence[float], finish: Finish) -> list[Patch]:
    """The six sides of a box."""
    a, b = np.asarray(low, float), np.asarray(high, float)
    sides = []
    for axis in range(3):
        u, v = [k for k in range(3) if k != axis]
        for place in (a[axis], b[axis]):
            grid = np.zeros((2, 2, 3))
            grid[..., axis] = place
            grid[..., u] = np.array([[a[u], a[u]], [b[u], b[u]]])
            grid[..., v] = np.array([[a[v], b[v]], [a[v], b[v]]])
            sides.append(sheet(grid, finish))
    return sides


def ball(centre: Sequence[float], radii: Sequence[float], turn: float, finish: Finish) -> Patch:
    """An ellipsoid turned about the x axis."""
    polar, round_ = np.linspace(0.02, np.pi - 0.02, 20)[:, None], np.linspace(0, 2 * np.pi, 28)[None]
    grid = np.stack(
        np.broadcast_arrays(np.cos(polar), np.sin(polar) * np.cos(round_), np.sin(polar) * np.sin(round_)), -1
    )
    grid = np.sign(grid) * np.abs(grid) ** 0.85 * np.asarray(radii)
    c, s = np.cos(turn), np.sin(turn)
    return sheet(grid @ np.array([[1, 0, 0], [0, c, s], [0, -s, c]]) + np.asarray(centre), finish)
