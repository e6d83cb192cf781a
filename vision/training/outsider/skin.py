"""How far points lie outside of skin and cloth."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from calibration.arrays import Array
from vision.training.figures.meshes import normals
from vision.training.outsider.pieces import Faces


class Skin:
    """How far points lie outside of surfaces, about."""

    def __init__(self, *parts: tuple[Array, Faces]) -> None:
        points, ways = [], []
        for place, faces in parts:
            used = np.unique(faces)
            points.append(place[used])
            ways.append(normals(place, faces)[used])
        self.points, self.ways = np.concatenate(points), np.concatenate(ways)
        self.tree = cKDTree(self.points)

    def outside(self, at: Array) -> tuple[Array, Array]:
        """Distances (N,) out of the nearest surface (negative inside), and its normals (N, 3)."""
        _, near = self.tree.query(at, k=3)
        way = self.ways[near].mean(1)
        way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
        out = np.einsum("nkj,nkj->nk", at[:, None] - self.points[near], self.ways[near])
        return np.asarray(out.mean(1)), np.asarray(way)

    def pushed(self, at: Array, margin: float | Array) -> Array:
        """The points, none nearer than a margin."""
        for _ in range(2):
            out, way = self.outside(at)
            at = at + np.maximum(margin - out, 0)[:, None] * way
        return at
