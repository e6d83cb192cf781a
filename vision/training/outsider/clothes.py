"""Clothes cut from the close suit of the mesh, collars about the neck, and clothes and eyebrows made for the mesh."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.arrays import Array, Mask
from vision.training.figures.bodies import VERTICES, Body, Fitting, Kinds
from vision.training.figures.meshes import clipped, normals, smoothed, waves
from vision.training.figures.posing import ARM_BONES, Posed, Poser, unit
from vision.training.outsider.pieces import Faces, Made, Piece
from vision.training.outsider.skin import Skin

COLLARS = ("shirt", "polo", "hood", "scarf", "roll", "stand")
WELL_INSIDE_M = 0.03
"""Skin this far within a garment's edges is left out, so that it does not come through."""
UNIT_M = 0.1
"""Unit of clothes made for the mesh."""


@dataclass(frozen=True)
class Wear:
    """What a figure has on.

    Sleeves (1 to the elbow, 2 to the wrist), neckline below the neck's side (m), collar, looseness (m), folds (0 to 1),
    trousers (2 to the ankles), the top's hem over the stature.
    """

    sleeve: float
    neckline: float
    collar: str | None
    loose: float
    folds: float
    legs: float
    hem: float

    @classmethod
    def drawn(cls, rng: np.random.Generator, collar: str | None) -> Wear:
        """Any, with this collar."""
        long = rng.random() < (0.5 if collar in (None, "polo", "shirt") else 0.9)
        neckline = float(rng.uniform(-0.004, 0.022)) if collar is None else float(rng.uniform(-0.006, 0.006))
        loose = float(rng.uniform(0.003, 0.012)) + (0.008 if collar in ("hood", "stand") else 0.0)
        sleeve = float(rng.uniform(1.75, 1.95) if long else rng.uniform(0.25, 1.0))
        return cls(
            sleeve,
            neckline,
            collar,
            loose,
            float(rng.uniform(0.3, 1.0)),
            float(rng.uniform(0.8, 2.0)),
            float(rng.uniform(0.45, 0.51)),
        )


class Dresser:
    """Fits clothes to a body at rest and takes them into a pose.

    Parameters
    ----------
    kinds, fitting, body : Kinds, Fitting, Body
        With all points of the mesh.
    """

    def __init__(self, kinds: Kinds, fitting: Fitting, body: Body) -> None:
        self.kinds, self.fitting, self.body = kinds, fitting, body
        self.poser = Poser(kinds, body)
        place = np.zeros(len(fitting.number_of), np.int64)
        place[fitting.number_of] = np.arange(len(place))
        self.place = place
        bones = len(kinds.bones)
        dense = np.zeros((len(body.points), bones))
        rows = np.repeat(np.arange(len(dense))[:, None], kinds.bone_of.shape[1], 1)
        np.add.at(dense, (rows, kinds.bone_of), kinds.weight_of)
        self.weights = dense
        self.covered = np.zeros(len(body.points), bool)

    def skinned(self, rest: Array, weights: Array, posed: Posed) -> Array:
        """Points (N, 3) at rest, held by bones (N, B), in the pose."""
        moves = posed.joints - np.einsum("bij,bj->bi", posed.turns, self.body.heads)
        turns = np.tensordot(weights, posed.turns, 1)
        return np.asarray(np.einsum("nij,nj->ni", turns, rest) + weights @ moves)

    def made_for(self, path: Path, posed: Posed, made: Made, skin: Skin | None = None) -> Piece:
        """A thing made for the mesh, on the posed body."""
        data = json.loads(path.read_text())
        corners = self.place[np.array(data["ref_vIdxs"])]
        share = np.array(data["weights"])
        number = np.unique(corners)
        own, usual = (np.ptp(points[number], axis=0) for points in (self.body.points, self.fitting.model))
        scale = own / usual
        rest = (self.body.points[corners] * share[..., None]).sum(1) + UNIT_M * scale * np.array(data["offsets"])
        held = np.clip(share, 0, 1)[..., None] * self.weights[corners]
        held = held.sum(1) / np.maximum(held.sum((1, 2)), 1e-9)[:, None]
        points = self.skinned(rest, held, posed)
        faces, uv = _faces(data)
        if skin is not None:
            points = skin.pushed(points, 0.002)
        return Piece(points, faces, made, uv)

    def top(self, posed: Posed, wear: Wear, skin: Skin, rng: np.random.Generator, made: Made) -> Piece:
        """Shirt, pullover or jacket."""
        rest, suit = self.body.points, self.fitting.suit
        limb = self._along_arm()
        arm = self.kinds.share("upperarm", "lowerarm", "wrist", "finger", "metacarpal") > 0.3
        hem = self.body.stature * wear.hem
        reach = self._arm_length()
        neck, way = self._neckline(wear.neckline, float(rng.uniform(12, 30)))
        field = np.minimum((neck - rest) @ way, rest[:, 1] - hem)
        field = np.where(arm, np.minimum(field, reach * (wear.sleeve - limb)), field)
        self.covered |= field > WELL_INSIDE_M
        return self._shell(posed, field, wear.loose, wear.folds, skin, rng, made, suit)

    def trousers(self, posed: Posed, wear: Wear, skin: Skin, rng: np.random.Generator, made: Made) -> Piece:
        """Trousers, long or short."""
        rest = self.body.points
        top = self.body.stature
        field = np.minimum(
            (wear.hem + 0.025) * top - rest[:, 1], rest[:, 1] - top * (0.05 + 0.2 * max(0.0, 1.6 - wear.legs))
        )
        arm = self.kinds.share("upperarm", "lowerarm", "wrist", "finger", "metacarpal") > 0.2
        field = np.where(arm, -0.05, field)
        self.covered |= field > WELL_INSIDE_M
        return self._shell(posed, field, 0.004, 0.5, skin, rng, made, self.fitting.suit)

    def _shell(
        self,
        posed: Posed,
        field: Array,
        loose: float,
        folds: float,
        skin: Skin,
        rng: np.random.Generator,
        made: Made,
        suit: Faces,
    ) -> Piece:
        used, index = np.unique(suit, return_inverse=True)
        faces = index.reshape(-1, 3)
        rest = self.body.points[used]
        faces, (rest, held) = clipped(faces, field[used], rest, self.weights[used])
        points = self.skinned(rest, held / held.sum(1, keepdims=True), posed)
        edges, along = _rim(faces, len(points))
        points = _evened(points, along)
        outer = points + loose * normals(points, faces)
        outer = smoothed(outer, faces, 5, 0.5, edges)
        creases = waves(np.column_stack([rest[:, 0] * 9, rest[:, 1] * 16, rest[:, 2] * 9]), rng, 4)
        outer = outer + (0.006 * folds * creases)[:, None] * normals(outer, faces)
        outer = skin.pushed(outer, 0.0035 + 0.4 * loose)
        outer = smoothed(outer, faces, 2, 0.4, edges)
        outer = _evened(skin.pushed(outer, 0.003), along)
        flat = rest[:, :2]
        return Piece(outer, faces, made, flat[faces], thick=0.0015, divided=2, name="cloth")

    def _along_arm(self) -> Array:
        """How far each point lies along its arm: 0 shoulder, 1 elbow, 2 wrist."""
        out = np.full(len(self.body.points), -1.0)
        for side, sign in (("L", 1.0), ("R", -1.0)):
            a, b, c = (self.body.heads[self.kinds.number(f"{k}.{side}")] for k in ("upperarm01", "lowerarm01", "wrist"))
            mine = sign * self.body.points[:, 0] > 0
            upper = (self.body.points - a) @ (b - a) / ((b - a) @ (b - a))
            fore = 1 + (self.body.points - b) @ (c - b) / ((c - b) @ (c - b))
            out = np.where(mine, np.where(fore > 1, fore, np.minimum(upper, 1)), out)
        return out

    def _arm_length(self) -> float:
        a, b = (self.body.heads[self.kinds.number(k)] for k in ("upperarm01.L", "lowerarm01.L"))
        return float(np.linalg.norm(b - a))

    def _neckline(self, drop: float, tilt_deg: float) -> tuple[Array, Array]:
        sides = [self.body.points[VERTICES[f"side_neck.{s}"]] for s in "LR"]
        t = np.radians(tilt_deg)
        return 0.5 * (sides[0] + sides[1]) - [0, drop, 0], np.array([0, np.cos(t), np.sin(t)])


def _faces(data: dict[str, list[int]]) -> tuple[Faces, Array]:
    """Triangles and their corners' texture places of the three.js format 3: bit 0 quad, 1 material, 3 corner places."""
    flat, places = data["faces"], np.array(data["uvs"][0]).reshape(-1, 2)
    faces, uv, at = [], [], 0
    while at < len(flat):
        kind = flat[at]
        n = 4 if kind & 1 else 3
        at += 1
        corner = flat[at : at + n]
        at += n + (1 if kind & 2 else 0)
        tex = flat[at : at + n] if kind & 8 else [0] * n
        at += n if kind & 8 else 0
        if kind & 32:
            at += n
        for a, b, c in ((0, 1, 2), (0, 2, 3))[: n - 2]:
            faces.append([corner[a], corner[b], corner[c]])
            uv.append([tex[a], tex[b], tex[c]])
    return np.array(faces, np.int64), places[np.array(uv)]


def _rim(faces: Faces, count: int) -> tuple[Mask, Faces]:
    """Which points lie on an open edge, and those edges (E, 2)."""
    sides = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), 1)
    edges, times = np.unique(sides, axis=0, return_counts=True)
    out = np.zeros(count, bool)
    out[edges[times == 1].ravel()] = True
    return out, edges[times == 1]


def _evened(points: Array, edges: Faces) -> Array:
    """Open edges without teeth."""
    both = np.concatenate([edges, edges[:, ::-1]])
    number = np.bincount(both[:, 0], minlength=len(points))
    for _ in range(12):
        mean = np.stack([np.bincount(both[:, 0], points[both[:, 1], k], len(points)) for k in range(3)], 1)
        on = number > 0
        points = points.copy()
        points[on] = 0.4 * points[on] + 0.6 * mean[on] / number[on, None]
    return points


@dataclass(frozen=True)
class Neck:
    """The neck's foot of a posed body: middle, upwards, front and left."""

    middle: Array
    up: Array
    front: Array
    left: Array
    wide: float

    @classmethod
    def of(cls, kinds: Kinds, posed: Posed) -> Neck:
        """Of a body."""
        sides = [posed.points[VERTICES[f"side_neck.{s}"]] for s in "LR"]
        turn = posed.turns[kinds.number("spine01")]
        left = unit(sides[0] - sides[1])
        up = unit(turn @ np.array([0, 1.0, 0.25]))
        up = unit(up - left * (up @ left))
        middle = 0.5 * (sides[0] + sides[1])
        return cls(middle, up, np.cross(left, up), left, float(np.linalg.norm(sides[0] - sides[1])))

    def rays(self, angles: Array) -> Array:
        """Ways out (N, 3) at angles from the front, towards the left."""
        return np.asarray(np.cos(angles)[:, None] * self.front + np.sin(angles)[:, None] * self.left)

    def ring(self, angles: Array, height: Array, margin: float | Array, skin: Skin) -> Array:
        """Places (N, 3) about the neck at heights over its foot, a margin out of what is there."""
        ways = self.rays(angles)
        base = self.middle + np.asarray(height)[:, None] * self.up
        radius = np.full(len(angles), 0.012)
        for k in range(70):
            out, _ = skin.outside(base + radius[:, None] * ways)
            short = out < margin
            if not short.any():
                break
            radius = np.where(short & (radius < 0.16), radius + (0.002 if k > 10 else 0.004), radius)
        # a ring has no dents
        radius = np.convolve(np.r_[radius[-3:], radius, radius[:3]], np.ones(7) / 7, "valid")
        return np.asarray(base + radius[:, None] * ways)


def collar(kind: str, neck: Neck, skin: Skin, rng: np.random.Generator, made: Made) -> list[Piece]:
    """What lies about the neck."""
    tall = neck.wide / 0.10  # of a child whose neck is 10 cm wide
    n = 72
    if kind in ("shirt", "polo", "stand"):
        gap = np.radians(rng.uniform(3, 10) if kind == "stand" else rng.uniform(5, 22))
        angles = np.linspace(gap, 2 * np.pi - gap, n)
        near = np.minimum(angles, 2 * np.pi - angles)  # 0 in front
        stand = tall * float(rng.uniform(0.014, 0.026)) * (0.75 + 0.25 * np.clip(near / 1.5, 0, 1))
        rows = [neck.ring(angles, np.full(n, -0.012), 0.004, skin), neck.ring(angles, 0.35 * stand, 0.003, skin)]
        rows.append(neck.ring(angles, stand, 0.004, skin))
        if kind == "stand":
            rows.append(neck.ring(angles, stand * 1.8, 0.008, skin))
        else:
            fall = stand + tall * float(rng.uniform(0.008, 0.02)) + tall * 0.03 * np.exp(-(((near - gap) / 0.35) ** 2))
            rows += [
                neck.ring(angles, stand, 0.008, skin),
                neck.ring(angles, stand - 0.5 * fall, 0.009, skin),
                neck.ring(angles, stand - fall, 0.007, skin),
            ]
        return [_wrapped(rows, made, closed=False, thick=0.0018)]
    if kind == "roll":
        angles = np.linspace(0, 2 * np.pi, n, endpoint=False)
        top = tall * float(rng.uniform(0.030, 0.055))
        heights = [-0.012, 0.3 * top, top, 1.05 * top, 0.75 * top, 0.3 * top, float(rng.uniform(-0.004, 0.01))]
        margins = [0.003, 0.003, 0.004, 0.008, 0.010, 0.011, 0.010]
        rows = [
            neck.ring(angles, np.full(n, h), m, skin) + 0.0015 * rng.normal(size=(1, 3))
            for h, m in zip(heights, margins, strict=True)
        ]
        return [_wrapped(rows, made, closed=True, thick=0.001)]
    if kind == "hood":
        return _hood(neck, skin, rng, made, tall)
    return _scarf(neck, skin, rng, made, tall)


def _hood(neck: Neck, skin: Skin, rng: np.random.Generator, made: Made, tall: float) -> list[Piece]:
    """A hood that hangs behind: a roll about the neck, thick behind, open in front."""
    n, sides = 64, 14
    gap = np.radians(rng.uniform(10, 30))
    angles = np.linspace(gap, 2 * np.pi - gap, n)
    behind = np.clip((np.minimum(angles, 2 * np.pi - angles) - 0.5) / 2.2, 0, 1)
    thick = tall * (0.009 + float(rng.uniform(0.010, 0.022)) * behind)
    height = tall * (float(rng.uniform(-0.012, 0.004)) + float(rng.uniform(0.008, 0.025)) * behind)
    core = neck.ring(angles, height, thick, skin)
    core = smoothed_path(core, 4)
    rows = _tube(core, thick, neck, sides, 1.25 + 0.2 * waves(angles[:, None] * 2, rng))
    pieces = [_wrapped(list(rows), made, closed=True, thick=0.0)]
    for sign in (1.0, -1.0):  # cords
        start = core[0 if sign > 0 else -1]
        t = np.linspace(0, 1, 14)[:, None]
        path = start + t * np.array([0, -0.11 * tall, 0]) + 0.02 * neck.front * t
        path = skin.pushed(path, 0.004)
        pieces.append(
            _wrapped(
                list(_tube(path, np.full(14, 0.0022), neck, 8, 1.0)),
                {"kind": "plain", "colour": (0.75, 0.74, 0.7)},
                True,
                0.0,
            )
        )
    return pieces


def _scarf(neck: Neck, skin: Skin, rng: np.random.Generator, made: Made, tall: float) -> list[Piece]:
    """A scarf: turns about the neck and an end that hangs before the chest."""
    turns = float(rng.choice([1.0, 1.6, 2.1]))
    n, sides = int(60 * turns), 16
    start = rng.uniform(-0.6, 0.6)
    angles = start + np.linspace(0, 2 * np.pi * turns, n)
    thick = tall * float(rng.uniform(0.011, 0.02)) * (1 + 0.25 * waves(angles[:, None], rng, 2))
    height = tall * (np.linspace(-0.004, float(rng.uniform(0.01, 0.03)), n) + 0.006 * waves(angles[:, None], rng, 2))
    lap = np.linspace(0, 1, n)
    out = thick * 0.9 + np.maximum(0, lap * turns - 1) * 0.8 * thick
    core = smoothed_path(neck.ring(angles, height, out, skin), 5)
    rows = _tube(core, thick, neck, sides, 1.3)
    pieces = [_wrapped(list(rows), made, closed=True, thick=0.0)]
    across = unit(neck.left + 0.2 * rng.normal() * neck.up)
    t = np.linspace(0, 1, 26)
    path = core[-1] + t[:, None] * np.array([0, -float(rng.uniform(0.15, 0.32)), 0]) + 0.05 * t[:, None] * neck.front
    wide = tall * float(rng.uniform(0.025, 0.05))
    strip = []
    for s in np.linspace(-1, 1, 9):
        line = path + s * wide * across
        strip.append(skin.pushed(line, 0.012 + 0.004 * np.cos(3 * s + 5 * t)))
    grid = np.stack(strip, 1)
    pieces.append(_wrapped(list(grid), made, closed=False, thick=0.004))
    return pieces


def smoothed_path(path: Array, times: int) -> Array:
    """A line with less corners, its ends kept."""
    path = path.copy()
    for _ in range(times):
        path[1:-1] = 0.5 * path[1:-1] + 0.25 * (path[:-2] + path[2:])
    return path


def _tube(path: Array, radius: Array, neck: Neck, sides: int, flat: float | Array) -> Array:
    along = unit(np.gradient(path, axis=0))
    up = unit(neck.up + 1e-3 * neck.front - along * (along @ neck.up)[:, None])
    out = np.cross(along, up)
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    high = np.broadcast_to(np.asarray(flat), len(path))
    return np.asarray(
        path[:, None]
        + radius[:, None, None]
        * (np.cos(turn)[None, :, None] * out[:, None] + (high[:, None] * np.sin(turn))[..., None] * up[:, None])
    )


def _wrapped(rows: list[Array], made: Made, closed: bool, thick: float) -> Piece:
    """A surface through rows of as many places, its texture in metres."""
    grid = np.stack(rows)
    n, m = grid.shape[:2]
    around = m if closed else m - 1
    i, j = (k.ravel() for k in np.meshgrid(np.arange(n - 1), np.arange(around), indexing="ij"))
    a, b = i * m + j, i * m + (j + 1) % m
    faces = np.concatenate([np.stack([a, a + m, b], 1), np.stack([b, a + m, b + m], 1)])
    flat = np.column_stack([np.tile(np.arange(m) * 0.006, n), np.repeat(np.arange(n) * 0.008, m)])
    return Piece(grid.reshape(-1, 3), faces, made, flat[faces], thick=thick, divided=1, name="collar")


__all__ = ["ARM_BONES", "COLLARS", "Dresser", "Neck", "Wear", "collar"]
