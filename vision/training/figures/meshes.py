"""Triangle meshes: cutting, dividing, smoothing, tubes, strips and boxes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix

from calibration.arrays import Array, Mask

Faces = NDArray[np.int64]


HALF_TURN = np.array([-1.0, 1.0, -1.0])
"""Factors on coordinates: half a turn about the upright axis."""


@dataclass(frozen=True)
class Mesh:
    """A piece of one material: points (V, 3), faces (F, 3), texture places (V, 2), colours (V, 3), normals (V, 3)."""

    points: Array
    faces: Faces
    material: str
    uv: Array | None = None
    colours: Array | None = None
    normals: Array | None = None

    def moved(self, by: Array) -> Mesh:
        """The mesh elsewhere."""
        return replace(self, points=self.points + by)

    def about_face(self) -> Mesh:
        """The mesh turned by half a turn, to look the other way."""
        turned = None if self.normals is None else self.normals * HALF_TURN
        return replace(self, points=self.points * HALF_TURN, normals=turned)


def normals(points: Array, faces: Faces) -> Array:
    """Normals of the vertices, weighted by area."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    out = np.stack([np.bincount(faces.ravel(), np.repeat(face[:, k], 3), len(points)) for k in range(3)], 1)
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12))


@dataclass(frozen=True)
class Division:
    """Each triangle in four: the edges (E, 2) whose middles are new points, and the new faces."""

    edges: Faces
    faces: Faces

    @classmethod
    def of(cls, faces: Faces) -> Division:
        """Divide a mesh."""
        sides = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), 1)
        edges, which = np.unique(sides, axis=0, return_inverse=True)
        a, b, c = which.reshape(3, -1) + faces.max() + 1
        parts = ([faces[:, 0], a, c], [faces[:, 1], b, a], [faces[:, 2], c, b], [a, b, c])
        return cls(edges, np.concatenate([np.stack(part, 1) for part in parts]))

    def __call__(self, values: Array) -> Array:
        """Values at the old and the new points."""
        return np.concatenate([values, 0.5 * (values[self.edges[:, 0]] + values[self.edges[:, 1]])])


def clipped(faces: Faces, field: Array, *values: Array) -> tuple[Faces, list[Array]]:
    """The part where the field is not negative, cut along its zero."""
    inside = field[faces] >= 0
    count = inside.sum(1)
    made = [faces[count == 3]]
    new: list[Faces] = []
    start = len(field)
    for number in (1, 2):
        cut = faces[count == number]
        lone = np.argmax(inside[count == number] == (number == 1), axis=1)
        rows = np.arange(len(cut))
        a, b, c = (cut[rows, (lone + k) % 3] for k in range(3))
        ab, ac = start + rows, start + len(cut) + rows
        new += [np.stack([a, b], 1), np.stack([a, c], 1)]
        start += 2 * len(cut)
        made += [np.stack([a, ab, ac], 1)] if number == 1 else [np.stack([ab, b, c], 1), np.stack([ab, c, ac], 1)]
    ends = np.concatenate(new)
    share = field[ends[:, 0]] / (field[ends[:, 0]] - field[ends[:, 1]])
    used, index = np.unique(np.concatenate(made), return_inverse=True)
    out = []
    for value in values:
        t = share.reshape(-1, *[1] * (value.ndim - 1))
        every = np.concatenate([value, value[ends[:, 0]] * (1 - t) + value[ends[:, 1]] * t])
        out.append(every[used])
    return index.reshape(-1, 3), out


def smoothed(points: Array, faces: Faces, times: int, amount: float = 0.5, held: Mask | None = None) -> Array:
    """Each point drawn towards the mean of its neighbours."""
    i = faces[:, [0, 1, 2, 1, 2, 0]].T.ravel()
    j = faces[:, [1, 2, 0, 0, 1, 2]].T.ravel()
    near = coo_matrix((np.ones(len(i)), (i, j)), (len(points),) * 2).tocsr()
    degree = np.maximum(np.asarray(near.sum(1)).ravel(), 1)[:, None]
    for _ in range(times):
        step = amount * ((near @ points) / degree - points)
        if held is not None:
            step[held] = 0
        points = points + step
    return points


def strip(rows: Sequence[Array], material: str, colours: Array | None = None, closed: bool = False) -> Mesh:
    """A surface through rows of as many points each."""
    grid = np.stack(rows)
    n, m = grid.shape[:2]
    around = m if closed else m - 1
    i, j = np.meshgrid(np.arange(n - 1), np.arange(around), indexing="ij")
    a, b = (i * m + j).ravel(), (i * m + (j + 1) % m).ravel()
    faces = np.concatenate([np.stack([a, a + m, b], 1), np.stack([b, a + m, b + m], 1)])
    u, v = np.meshgrid(np.arange(m) / m, np.arange(n) / n)
    return Mesh(grid.reshape(-1, 3), faces, material, np.stack([u, v], -1).reshape(-1, 2), colours)


def tube(path: Array, radius: Array, material: str, flat: float = 1.0, sides: int = 10) -> Mesh:
    """A tube along a path (N, 3) with radii (N,); `flat` is its height over its width."""
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    up = np.array([0.0, 1.0, 0.0]) - along * along[:, 1:2]
    up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 0.2)
    out = np.cross(along, up)
    angles = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    rows = [
        path[k] + radius[k] * (np.cos(angles)[:, None] * out[k] + flat * np.sin(angles)[:, None] * up[k])
        for k in range(len(path))
    ]
    return strip(rows, material, closed=True)


def box(low: Sequence[float], high: Sequence[float], material: str, colour: Sequence[float]) -> Mesh:
    """A box of one colour, edges sharp."""
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    sides = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    points = np.concatenate([corners[list(side)] for side in sides]).astype(float)
    faces = np.concatenate([[[4 * k, 4 * k + 1, 4 * k + 2], [4 * k, 4 * k + 2, 4 * k + 3]] for k in range(6)])
    uv = np.tile(np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]), (6, 1))
    return Mesh(points, faces, material, uv, np.tile(np.asarray(colour, float), (24, 1)))


def quad(
    corners: Sequence[Sequence[float]], material: str, uv: Array | None = None, colour: Sequence[float] = (1, 1, 1)
) -> Mesh:
    """A flat piece through four corners."""
    points = np.array(corners, float)
    places = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]) if uv is None else uv
    return Mesh(points, np.array([[0, 1, 2], [0, 2, 3]]), material, places, np.tile(np.asarray(colour, float), (4, 1)))


def waves(places: Array, rng: np.random.Generator, octaves: int = 3) -> Array:
    """Smooth noise of about -1 to 1: sums of plane waves, each octave half as long and 0.6 as high."""
    out, total, high = np.zeros(len(places)), 0.0, 1.0
    for octave in range(octaves):
        k, phase = rng.normal(size=(6, places.shape[1])) * 2**octave, rng.uniform(0, 2 * np.pi, 6)
        out += high * 1.6 * np.sin(places @ k.T + phase).mean(1)
        total, high = total + high, 0.6 * high
    return np.asarray(out / total)


def ramp(low: float, high: float, x: Array) -> Array:
    """Smooth step from 0 to 1."""
    t = np.clip((x - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))
