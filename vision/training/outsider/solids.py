"""Flat, boxed and turned pieces that rooms are built of."""

from __future__ import annotations

import numpy as np

from vision.training.figures.meshes import box, strip
from vision.training.outsider.pieces import Made, Piece


def flat(corners: list[list[float]], made: Made, name: str = "") -> Piece:
    """A flat piece through four corners, its texture in metres."""
    points = np.array(corners, float)
    wide, high = np.linalg.norm(points[1] - points[0]), np.linalg.norm(points[3] - points[0])
    uv = np.array([[0, 0], [wide, 0], [wide, high], [0, high]]) + np.array([3.1, 1.7])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    return Piece(points, faces, made, uv[faces], smooth=False, name=name)


def block(low: tuple[float, float, float], high: tuple[float, float, float], made: Made) -> Piece:
    """A box with cut edges."""
    mesh = box(low, high, "", (1, 1, 1))
    points, index = np.unique(mesh.points.round(6), axis=0, return_inverse=True)
    edge = min(0.004, 0.2 * float(min(b - a for a, b in zip(low, high, strict=True))))
    return Piece(points, index.ravel()[mesh.faces], made, smooth=False, edge=edge)


def turned(x: float, z: float, profile: list[tuple[float, float]], made: Made) -> Piece:
    """A body of revolution about an upright axis through (x, z), of heights and radii, m."""
    turn = np.linspace(0, 2 * np.pi, 28, endpoint=False)
    rows = [np.stack([x + r * np.cos(turn), np.full(28, y), z + r * np.sin(turn)], 1) for y, r in profile]
    mesh = strip(rows, "", closed=True)
    return Piece(mesh.points, mesh.faces, made, name="round")
