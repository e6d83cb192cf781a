"""Rooms about a figure: wall, floor, furniture, sheets of paper, lamps, windows, flash, and what lies all round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.training.figures.meshes import Mesh, box, quad, strip, waves
from vision.training.figures.painted import chessboard, colour, photographed, surface_picture
from vision.training.figures.trace import SKY, Lamp, Surface

THINGS = ["picture", "picture", "sheet", "sheet", "shelf", "switch", "cabinet", "curtain", "frame", "plant", "rail"]
"""What hangs on a wall or stands before it; named twice what is twice as frequent."""
LIGHTS = {"window": 0.28, "ceiling": 0.2, "bulb": 0.16, "flash": 0.14, "behind": 0.1, "wide": 0.12}
"""Kinds of lamps and how frequent each is."""
LIT = np.array([0.2, 1.0, 0.1])
"""Place that lamps shine at, m."""


@dataclass(frozen=True)
class _Walls:
    """Left and right end of the wall, height of the ceiling, depth of the floor, m."""

    left: float
    right: float
    ceiling: float
    deep: float


@dataclass(frozen=True)
class _Place:
    """A place on the wall for a thing, m, and its colour; what is `kept` free are boxes left, right, low, high."""

    x: float
    y: float
    shade: list[float]
    ceiling: float
    kept: Sequence[tuple[float, float, float, float]]

    def free(self, x0: float, x1: float, y0: float, y1: float) -> bool:
        """Whether nothing that is kept free is there."""
        return all(x1 < k[0] or x0 > k[1] or y1 < k[2] or y0 > k[3] for k in self.kept)


def room(
    rng: np.random.Generator, store: list[Picture], arm: tuple[Array, Array], top: float
) -> tuple[list[Mesh], dict[str, Surface]]:
    """Wall, floor and things; nothing large stands before the arm (from shoulder to fingertip) or the body."""
    walls = _Walls(-rng.uniform(1.6, 3.2), rng.uniform(1.6, 3.2), rng.uniform(2.35, 3.0), rng.uniform(2.8, 5.0))
    surfaces = _surfaces(rng, store)
    out = _shell(rng, walls)
    shoulder, tip = arm
    kept = [
        (-0.42, 0.42, 0.0, top + 0.05),
        (
            min(shoulder[0], tip[0]) - 0.06,
            max(shoulder[0], tip[0]) + 0.06,
            min(shoulder[1], tip[1]) - 0.16,
            max(shoulder[1], tip[1]) + 0.16,
        ),
    ]
    for _ in range(int(rng.integers(2, 12))):
        kind = str(rng.choice(THINGS))
        x, y = rng.uniform(-1.5, 1.5), rng.uniform(0.15, 2.2)
        out += _thing(rng, kind, _Place(x, y, colour(rng, 0.02, 0.8, 0.8).tolist(), walls.ceiling, kept))
    return out, surfaces


def _surfaces(rng: np.random.Generator, store: list[Picture]) -> dict[str, Surface]:
    surfaces = {
        "wall": Surface(
            texture=surface_picture(rng, store, 0.12, 0.82),
            repeats=(1 / rng.uniform(0.3, 2.5),) * 2,
            coat=float(rng.choice([0, 0, 0.6])),
            rough=float(rng.uniform(0.25, 0.6)),
        ),
        "floor": Surface(
            texture=surface_picture(rng, store, 0.05, 0.5),
            repeats=(1 / rng.uniform(0.4, 1.5),) * 2,
            coat=float(rng.choice([0, 0.8])),
            rough=float(rng.uniform(0.2, 0.5)),
        ),
        "side": Surface(tuple(colour(rng, 0.1, 0.8, 0.4).tolist())),
        "thing": Surface(coat=0.5, rough=float(rng.uniform(0.2, 0.6))),
        "paper": Surface(texture=chessboard(rng)),
    }
    for number in range(3):
        surfaces[f"picture {number}"] = Surface(
            texture=photographed(rng, store, 0.05, 0.6), coat=float(rng.choice([0, 1.0])), rough=0.15
        )
    return surfaces


def _shell(rng: np.random.Generator, walls: _Walls) -> list[Mesh]:
    """Wall and floor; side walls, ceiling, skirting and panels where there are any."""
    left, right, ceiling, deep = walls.left, walls.right, walls.ceiling, walls.deep
    wall_uv = np.array([[left, 0], [right, 0], [right, ceiling], [left, ceiling]])
    if rng.random() < 0.5:
        wall_uv = wall_uv[:, ::-1].copy() if rng.random() < 0.3 else wall_uv
    wall = [[left, 0, 0], [right, 0, 0], [right, ceiling, 0], [left, ceiling, 0]]
    floor = [[left, 0, deep], [right, 0, deep], [right, 0, 0], [left, 0, 0]]
    out = [
        quad(wall, "wall", wall_uv + rng.uniform(0, 1, 2)),
        quad(floor, "floor", np.array([[left, deep], [right, deep], [right, 0], [left, 0]])),
    ]
    if rng.random() < 0.8:
        out.append(quad([[left, 0, deep], [left, 0, 0], [left, ceiling, 0], [left, ceiling, deep]], "side"))
    if rng.random() < 0.8:
        out.append(quad([[right, 0, 0], [right, 0, deep], [right, ceiling, deep], [right, ceiling, 0]], "side"))
    if rng.random() < 0.75:
        above = [[left, ceiling, 0], [right, ceiling, 0], [right, ceiling, deep], [left, ceiling, deep]]
        out.append(quad(above, "side", colour=(0.9, 0.9, 0.9)))
    if rng.random() < 0.8:
        skirting = (left, 0, 0), (right, rng.uniform(0.05, 0.14), 0.014)
        out.append(box(*skirting, "thing", colour(rng, 0.05, 0.8, 0.3).tolist()))
    if rng.random() < 0.2:  # panelled below or a second colour
        rail = rng.uniform(0.6, 1.1)
        out.append(box((left, 0, 0), (right, rail, 0.004), "thing", colour(rng, 0.05, 0.8, 0.6).tolist()))
    return out


def _thing(rng: np.random.Generator, kind: str, at: _Place) -> list[Mesh]:
    """One of `THINGS`; nothing where there is no room for it."""
    x, y = at.x, at.y
    if kind in ("picture", "frame", "sheet"):
        return _picture(rng, kind, at)
    if kind == "switch" and at.free(x, x + 0.09, y, y + 0.09):
        return [box((x, y, 0), (x + 0.085, y + 0.085, 0.01), "thing", (0.8, 0.8, 0.78))]
    if kind == "shelf" and at.free(x, x + 0.8, y - 0.03, y + 0.3):
        return _shelf(rng, at)
    if kind == "cabinet":
        w, h = rng.uniform(0.35, 1.0), rng.uniform(0.3, 2.0)
        if at.free(x, x + w, 0, h):
            return [box((x, 0, 0.01), (x + w, h, rng.uniform(0.2, 0.5)), "thing", at.shade)]
    if kind == "rail" and at.free(x, x + 0.03, 0, 2.2):
        end = x + rng.uniform(0.02, 0.9) * 0.1, at.ceiling, rng.uniform(0.01, 0.05)
        return [box((x, 0, 0), end, "thing", at.shade)]
    if kind == "curtain" and abs(x) > 0.5:
        return _curtain(rng, at)
    if kind == "plant" and abs(x) > 0.45:
        return _plant(rng, at)
    return []


def _picture(rng: np.random.Generator, kind: str, at: _Place) -> list[Mesh]:
    """A picture, framed or not, or a sheet of paper; a picture may hang behind the figure."""
    x, y = at.x, at.y
    w, h = (0.21, 0.297) if kind == "sheet" else rng.uniform(0.15, 0.8, 2)
    if not at.free(x, x + w, y, y + h) and not (kind == "picture" and rng.random() < 0.35):
        return []
    edge = 0.0006 if kind == "sheet" or rng.random() < 0.4 else rng.uniform(0.008, 0.03)
    name = "paper" if kind == "sheet" else f"picture {int(rng.integers(3))}"
    out = []
    if edge > 0.001:
        t = rng.uniform(0.01, 0.05)
        out.append(box((x - t, y - t, 0), (x + w + t, y + h + t, edge), "thing", at.shade))
    z = edge + 5e-4
    return [*out, quad([[x, y, z], [x + w, y, z], [x + w, y + h, z], [x, y + h, z]], name)]


def _shelf(rng: np.random.Generator, at: _Place) -> list[Mesh]:
    """A board with books."""
    x, y = at.x, at.y
    out = [box((x, y - 0.025, 0), (x + 0.8, y, 0.22), "thing", at.shade)]
    book = x + 0.02
    while book < x + 0.72:
        w = rng.uniform(0.015, 0.06)
        end = book + w, y + rng.uniform(0.12, 0.28), 0.18
        out.append(box((book, y, 0.01), end, "thing", colour(rng, 0.02, 0.7, 1.0).tolist()))
        book += w + rng.choice([0.002, 0.002, 0.05])
    return out


def _curtain(rng: np.random.Generator, at: _Place) -> list[Mesh]:
    xs = np.linspace(at.x, at.x + rng.uniform(0.2, 0.7), 60)
    if not at.free(xs[0], xs[-1], 0, 2.3):
        return []
    z = 0.06 + 0.025 * np.sin(xs * rng.uniform(40, 90)) + 0.01 * waves(xs[:, None] * 20, rng)
    rows = [np.stack([xs, np.full(60, h), z], 1) for h in (0.05, at.ceiling - 0.05)]
    return [strip(rows, "thing", np.tile(np.array(at.shade), (120, 1)))]


def _plant(rng: np.random.Generator, at: _Place) -> list[Mesh]:
    """Leaves that hang about a place."""
    n = 120
    root = np.array([at.x, rng.uniform(0, 1.0), 0.25])
    leaf = root + rng.normal(0, [0.12, 0.2, 0.08], (n, 3)) + [0, 0.3, 0]
    leaf[:, 2] = np.maximum(leaf[:, 2], 0.03)
    side, down = rng.normal(0, 0.03, (n, 3)), rng.normal(0, 0.05, (n, 3))
    if not at.free(at.x - 0.25, at.x + 0.25, root[1], root[1] + 0.8):
        return []
    points = np.stack([leaf, leaf + side, leaf + down], 1).reshape(-1, 3)
    green = np.array([0.06, 0.16, 0.04]) * rng.uniform(0.5, 2)
    return [Mesh(points, np.arange(3 * n).reshape(-1, 3), "thing", None, np.tile(green, (3 * n, 1)))]


def light(rng: np.random.Generator, store: list[Picture], camera: Array) -> tuple[list[Lamp], Array]:
    """Lamps and the sky (32, 64, 3): daylight from windows, ceiling lamps, bulbs of mixed colours, flash, open sky."""
    kinds = rng.choice(list(LIGHTS), int(rng.integers(1, 4)), p=list(LIGHTS.values()))
    return [_lamp(rng, str(kind), camera) for kind in kinds], _around(rng, store)


def _lamp(rng: np.random.Generator, kind: str, camera: Array) -> Lamp:
    """A lamp of one of the `LIGHTS`."""
    if kind == "window":
        side = float(rng.choice([-1, 1]))
        return _shining(
            np.array([side * rng.uniform(1.4, 3.0), rng.uniform(0.9, 1.9), rng.uniform(0.4, 2.5)]),
            LIT + np.array([0, 0, rng.uniform(0, 1.0)]),
            (rng.uniform(0.25, 0.9), rng.uniform(0.3, 0.9)),
            rng.uniform(8, 30),
            _tint(rng, rng.uniform(-0.5, 0.3)),
        )
    if kind == "ceiling":
        at = np.array([rng.uniform(-1.2, 1.2), rng.uniform(2.25, 2.7), rng.uniform(0.5, 2.2)])
        return _shining(
            at,
            at + np.array([0, -1, rng.uniform(-0.2, 0.2)]),
            (rng.uniform(0.06, 0.6),) * 2,
            rng.uniform(6, 18),
            _tint(rng, rng.uniform(-0.2, 1.0)),
        )
    if kind == "bulb":
        return _shining(
            np.array([rng.uniform(-2, 2), rng.uniform(0.5, 2.2), rng.uniform(0.5, 2.6)]),
            LIT + rng.normal(0, 0.2, 3),
            (rng.uniform(0.015, 0.1),) * 2,
            rng.uniform(3, 15),
            _tint(rng, rng.uniform(0.3, 1.2)),
        )
    if kind == "flash":
        return _shining(
            camera + np.array([rng.uniform(-0.05, 0.05), rng.uniform(-0.03, 0.09), 0.02]),
            LIT,
            (0.008, 0.006),
            rng.uniform(4, 12) * max(1.0, camera[2] ** 2 / 3),
            _tint(rng, rng.uniform(-0.1, 0.2)),
        )
    if kind == "behind":
        return _shining(
            camera + np.array([rng.uniform(-1, 1), rng.uniform(0, 0.8), rng.uniform(0.3, 1.2)]),
            LIT,
            (rng.uniform(0.3, 1.2), rng.uniform(0.3, 0.9)),
            rng.uniform(8, 25),
            _tint(rng, rng.uniform(-0.4, 0.4)),
        )
    return _shining(
        np.array([rng.uniform(-0.8, 0.8), rng.uniform(1.6, 2.4), rng.uniform(1.2, 3.0)]),
        LIT,
        (rng.uniform(0.8, 2.0), rng.uniform(0.5, 1.5)),
        rng.uniform(15, 40),
        _tint(rng, rng.uniform(-0.3, 0.5)),
    )


def _shining(middle: Array, towards: Array, half: tuple[float, float], power: float, tint: Array) -> Lamp:
    """A rectangle of these half sides, m, that shines towards a place with this power in all."""
    ahead = (towards - middle) / np.linalg.norm(towards - middle)
    side = np.cross([0.0, 1.0, 0.0], ahead) + np.array([1e-3, 0, 1e-3])
    side /= np.linalg.norm(side)
    up = np.cross(ahead, side)
    return Lamp(middle, side * half[0], up * half[1], power * tint / (4 * half[0] * half[1]))


def _tint(rng: np.random.Generator, warm: float) -> Array:
    """Colour of a light, from bluish (negative) to yellowish."""
    return np.array([1 + 0.35 * warm, 1.0, 1 - 0.45 * warm]) * np.exp(rng.normal(0, 0.04, 3))


def _around(rng: np.random.Generator, store: list[Picture]) -> Array:
    """Light (32, 64, 3) that comes from all round."""
    around = (store[int(rng.integers(len(store)))] / 255.0) ** (2.2 * rng.uniform(1.0, 2.5))
    around = cv2.resize(around, SKY[::-1], interpolation=cv2.INTER_AREA) + 0.02
    grey = around.mean(-1, keepdims=True)
    around = grey + rng.uniform(0.0, 0.5) * (around - grey)
    around = around / around.mean()
    if rng.random() < 0.35:
        around = np.ones((*SKY, 3)) * _tint(rng, rng.uniform(-0.3, 0.3))
    if rng.random() < 0.25:  # brighter above
        around = around * np.linspace(2, 0.3, SKY[0])[:, None, None]
    return np.asarray(around * np.exp(rng.uniform(np.log(0.08), np.log(1.2))))
