"""Furniture and things along a wall, each where there is room for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from vision.training.figures.meshes import strip, waves
from vision.training.outsider.materials import cloth_of, kelvin, thing_made, tone
from vision.training.outsider.pieces import Made, Piece
from vision.training.outsider.solids import block, flat, turned

Part = tuple[float, float, float, float]
"""A part of a wall: from and to across, from and to upwards, m."""

WHITE: Made = {"kind": "plain", "colour": (0.8, 0.8, 0.78), "rough": 0.3}


@dataclass(frozen=True)
class Spot:
    """Where a thing may stand: its place (m), what it may be made of, the room's height (m), what is taken."""

    x: float
    y: float
    made: Made
    ceiling: float
    taken: list[Part]

    def free(self, x0: float, x1: float, y0: float, y1: float) -> bool:
        """Whether nothing stands in that part of the wall."""
        return all(x1 < k[0] or x0 > k[1] or y1 < k[2] or y0 > k[3] for k in self.taken)

    def take(self, x0: float, x1: float, y0: float, y1: float) -> bool:
        """The same, and keep it for this thing."""
        is_free = self.free(x0, x1, y0, y1)
        if is_free:
            self.taken.append((x0, x1, y0, y1))
        return is_free


def furnished(rng: np.random.Generator, arm: tuple[Array, Array], top: float, ceiling: float) -> list[Piece]:
    """Things along the wall; none before the body up to its `top`, or near the arm from shoulder to fingertip."""
    a, b = arm
    taken = [(-0.45, 0.45, 0.0, top + 0.06), (min(a[0], b[0]) - 0.08, max(a[0], b[0]) + 0.08, a[1] - 0.5, a[1] + 0.5)]
    pieces = []
    for _ in range(int(rng.integers(3, 12))):
        kind = str(rng.choice(OFTEN))
        x, y = float(rng.uniform(-1.7, 1.7)), float(rng.uniform(0.2, 2.0))
        pieces += THINGS[kind](rng, Spot(x, y, thing_made(rng), ceiling, taken))
    return pieces


def _painting(rng: np.random.Generator, at: Spot) -> list[Piece]:
    x, y = at.x, at.y
    w, h = (float(v) for v in rng.uniform(0.18, 0.7, 2))
    if not at.free(x, x + w, y, y + h):
        return []
    at.taken.append((x - 0.03, x + w + 0.03, y - 0.03, y + h + 0.03))
    d = float(rng.uniform(0.012, 0.035))
    shown: Made = {
        "kind": "painting",
        "often": float(rng.uniform(1.5, 9)),
        "turn": float(rng.uniform(0, 6)),
        "saturation": float(rng.uniform(0, 1.5)),
        "value": float(rng.uniform(0.4, 1.1)),
    }
    return [
        block((x - 0.025, y - 0.025, 0.0), (x + w + 0.025, y + h + 0.025, d - 0.004), at.made),
        flat([[x, y, d], [x + w, y, d], [x + w, y + h, d], [x, y + h, d]], shown),
    ]


def _shelf(rng: np.random.Generator, at: Spot) -> list[Piece]:
    x, y = at.x, at.y
    if not at.take(x, x + 0.8, y - 0.03, y + 0.3):
        return []
    pieces, left = [block((x, y - 0.022, 0.0), (x + 0.8, y, 0.2), at.made)], x + 0.02
    while left < x + 0.72:
        w = float(rng.uniform(0.012, 0.05))
        book: Made = {"kind": "plain", "colour": tone(rng, 0.03, 0.6, 0.95), "rough": float(rng.uniform(0.2, 0.8))}
        top, front = y + float(rng.uniform(0.14, 0.27)), float(rng.uniform(0.12, 0.18))
        pieces.append(block((left, y, 0.02), (left + w, top, front), book))
        left += w + float(rng.choice([0.001, 0.001, 0.06]))
    return pieces


def _cabinet(rng: np.random.Generator, at: Spot) -> list[Piece]:
    x, metal = at.x, {"kind": "plain", "colour": (0.6, 0.6, 0.6), "rough": 0.25, "metal": 1.0}
    w, h, d = float(rng.uniform(0.4, 1.0)), float(rng.uniform(0.35, 1.9)), float(rng.uniform(0.22, 0.5))
    if not at.take(x, x + w, 0, h):
        return []
    knobs = [h * (k + 0.5) / 4 for k in range(int(rng.integers(1, 4)))]
    return [
        block((x, 0.0, 0.01), (x + w, h, d), at.made),
        *(block((x + w / 2 - 0.05, y, d), (x + w / 2 + 0.05, y + 0.015, d + 0.02), metal) for y in knobs),
    ]


def _door(_: np.random.Generator, at: Spot) -> list[Piece]:
    x = at.x
    if not at.take(x, x + 0.95, 0, 2.1):
        return []
    return [
        block((x, 0.0, 0.0), (x + 0.9, 2.05, 0.02), at.made),
        block((x + 0.05, 0.0, 0.018), (x + 0.85, 2.0, 0.03), at.made),
    ]


def _chair(_: np.random.Generator, at: Spot) -> list[Piece]:
    x, pieces = at.x, []
    if not at.take(x, x + 0.42, 0, 0.95):
        return []
    for side in (x, x + 0.38):
        pieces.append(block((side, 0, 0.08), (side + 0.035, 0.92, 0.115), at.made))
        pieces.append(block((side, 0, 0.45), (side + 0.035, 0.45, 0.485), at.made))
    pieces.append(block((x - 0.01, 0.43, 0.07), (x + 0.43, 0.465, 0.5), at.made))
    return pieces + [block((x, 0.6 + 0.11 * k, 0.085), (x + 0.41, 0.65 + 0.11 * k, 0.105), at.made) for k in range(3)]


def _lamp(rng: np.random.Generator, at: Spot) -> list[Piece]:
    if not at.free(at.x - 0.15, at.x + 0.15, 1.3, 1.9):
        return []
    at.taken.append((at.x - 0.15, at.x + 0.15, 0, 1.9))
    glow: Made = {"kind": "lit", "colour": kelvin(2800), "strength": float(rng.uniform(1, 5))}
    return [
        turned(at.x, 0.28, [(0.0, 0.14), (0.02, 0.14), (0.022, 0.012), (1.35, 0.012)], at.made),
        turned(at.x, 0.28, [(1.35, 0.15), (1.6, 0.10)], glow),
    ]


def _curtain(rng: np.random.Generator, at: Spot) -> list[Piece]:
    if abs(at.x) <= 0.6:
        return []
    xs = np.linspace(at.x, at.x + float(rng.uniform(0.25, 0.7)), 90)
    if not at.take(float(xs[0]), float(xs[-1]), 0, 2.3):
        return []
    z = 0.08 + 0.03 * np.sin(xs * float(rng.uniform(50, 110))) + 0.015 * waves(xs[:, None] * 12, rng)
    rows = [
        np.stack([xs + 0.01 * np.sin(h * 3), np.full(90, h), z * (1 - 0.1 * h)], 1)
        for h in np.linspace(0.04, at.ceiling - 0.08, 12)
    ]
    mesh = strip(rows, "")
    uv = np.column_stack([np.tile(np.linspace(0, 1, 90), 12), np.repeat(np.linspace(0, 2.4, 12), 90)])
    return [Piece(mesh.points, mesh.faces, cloth_of(rng), uv[mesh.faces])]


def _radiator(_: np.random.Generator, at: Spot) -> list[Piece]:
    x = at.x
    if not at.take(x, x + 0.8, 0.1, 0.75):
        return []
    return [block((x + 0.08 * k, 0.12, 0.03), (x + 0.08 * k + 0.062, 0.7, 0.1), WHITE) for k in range(10)]


def _plant(rng: np.random.Generator, at: Spot) -> list[Piece]:
    if not at.take(at.x - 0.3, at.x + 0.3, 0, 1.3):
        return []
    return [turned(at.x, 0.28, [(0.0, 0.1), (0.25, 0.14), (0.25, 0.12)], at.made), _leaves(rng, at.x)]


def _leaves(rng: np.random.Generator, x: float) -> Piece:
    points, faces = [], []
    for _ in range(40):
        root, turn = np.array([x, 0.25, 0.28]), rng.uniform(0, 2 * np.pi)
        out = np.array([np.cos(turn), 0, np.sin(turn)])
        high, far, wide = rng.uniform(0.3, 0.9), rng.uniform(0.05, 0.28), rng.uniform(0.008, 0.03)
        side = np.cross(out, [0, 1, 0]) * wide
        t = np.linspace(0, 1, 7)[:, None]
        path = root + out * far * t**1.5 + np.array([0, 1, 0]) * high * (t - 0.35 * t**2.5)
        width = np.sin(np.pi * np.clip(t * 0.9 + 0.08, 0, 1))
        strip_points = np.concatenate([path - side * width, path + side * width])
        strip_points[:, 2] = np.maximum(strip_points[:, 2], 0.02)
        start = 14 * len(points)
        points.append(strip_points)
        for k in range(6):
            faces += [[start + k, start + k + 7, start + k + 1], [start + k + 1, start + k + 7, start + k + 8]]
    green = tuple(float(c) for c in np.array([0.05, 0.14, 0.03]) * rng.uniform(0.5, 2))
    return Piece(np.concatenate(points), np.array(faces), {"kind": "plain", "colour": green, "rough": 0.4})


def _socket(_: np.random.Generator, at: Spot) -> list[Piece]:
    x, y = at.x, at.y
    if not at.free(x, x + 0.09, y, y + 0.09):
        return []
    return [block((x, y, 0.0), (x + 0.084, y + 0.084, 0.011), WHITE)]


def _toy(rng: np.random.Generator, at: Spot) -> list[Piece]:
    if not at.free(at.x - 0.1, at.x + 0.1, 0, 0.2):
        return []
    r = float(rng.uniform(0.06, 0.12))
    ball = [(r - r * float(np.cos(t)), r * float(np.sin(t)) + 1e-4) for t in np.linspace(0.05, np.pi - 0.05, 14)]
    return [turned(at.x, 0.3, ball, {"kind": "plain", "colour": tone(rng, 0.05, 0.5, 1.0), "rough": 0.3})]


THINGS: dict[str, Callable[[np.random.Generator, Spot], list[Piece]]] = {
    "painting": _painting,
    "shelf": _shelf,
    "cabinet": _cabinet,
    "door": _door,
    "chair": _chair,
    "lamp": _lamp,
    "curtain": _curtain,
    "radiator": _radiator,
    "plant": _plant,
    "socket": _socket,
    "toy": _toy,
}
OFTEN = ["painting", *THINGS]
"""What is drawn from: paintings twice as often as the rest."""
