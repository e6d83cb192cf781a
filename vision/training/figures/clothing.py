"""Clothes of a posed body: top, trousers, and what lies about the neck."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.arrays import Array
from vision.training.figures.bodies import VERTICES, Body, Kinds
from vision.training.figures.looks import Figure, Looks, Outside, hair, skin_colours
from vision.training.figures.meshes import Division, Mesh, clipped, normals, ramp, smoothed, strip, tube, waves
from vision.training.figures.posing import ARM_BONES, Posed, unit


@cache
def _division(faces: bytes) -> Division:
    return Division.of(np.frombuffer(faces, np.int32).reshape(-1, 3).astype(np.int64))


@dataclass
class _Frame:
    """The neck in space: middle between its sides, axes to the left, up and to the front, radii, and the scale."""

    middle: Array
    left: Array
    up: Array
    front: Array
    wide: float
    deep: float
    back: float
    size: float

    def at(self, angle: Array, out: Array | float, high: Array | float) -> Array:
        """Points about the neck: `angle` from the front to the left, `out` times the radii, `high` over the base."""
        base = self.back * 0.5 * (1 - np.cos(angle)) ** 2 / 2 - 0.032 * self.size * np.clip(np.cos(angle), 0, 1) ** 2
        side, ahead = np.sin(angle) * self.wide * out, np.cos(angle) * self.deep * out
        place = self.middle + side[:, None] * self.left + ahead[:, None] * self.front
        return np.asarray(place + (base + high)[:, None] * self.up)


@dataclass(frozen=True)
class _Cut:
    """Where clothes begin and end on a body, for each of its points (P,).

    Attributes
    ----------
    covered, legs : (P,) ndarray
        How far inside the top and the trousers, m; negative outside.
    along : (P,) ndarray
        How far along the arm: 0 at the shoulder, 1 at the elbow, 2 at the wrist; -1 where there is no arm.
    arm : (P,) ndarray
        How much the arm's bones move it.
    hips, neck : float
        Heights at rest, m.
    size : float
        1 for a figure of 1.15 m.
    """

    covered: Array
    legs: Array
    along: Array
    arm: Array
    hips: float
    neck: float
    size: float


def dressed(kinds: Kinds, body: Body, posed: Posed, looks: Looks, rng: np.random.Generator) -> list[Mesh]:
    """All meshes of the figure."""
    divide = _division(kinds.faces.tobytes())
    points = divide(posed.points)
    head = kinds.number("head")
    figure = Figure(
        kinds,
        body,
        divide,
        points,
        normals(points, divide.faces),
        divide(body.points),
        posed.joints[head],
        posed.turns[head],
    )
    cut = _cut(kinds, body, divide, looks)
    skin, top, trousers = _skin(figure, cut, looks, rng), _top(figure, cut, looks, rng), _trousers(figure, cut, rng)
    outside = _pushed_out(figure, top)
    return [
        *(skin, top, trousers),
        *_cover(_frame(figure, posed, cut.size), looks, rng, outside),
        *hair(figure, looks, rng, outside),
    ]


def _cut(kinds: Kinds, body: Body, divide: Division, looks: Looks) -> _Cut:
    size = float((body.stature / 1.15) ** 0.75)
    arm, along = kinds.share(*ARM_BONES), _along_the_arms(kinds, body)
    neck, hips = body.points[VERTICES["side_neck.L"]], body.heads[kinds.number("pelvis.L")][1]
    covered = _covered(body, along, arm, hips, looks, size)
    covered, along, arm, tall = (divide(v) for v in (covered, along, arm, body.points[:, 1]))
    waist, ankle = hips + 0.05 * size, body.heads[kinds.number("foot.L")][1] + 0.02
    legs = np.minimum(np.minimum(waist - tall, tall - ankle), 0.5 - 2 * arm)
    return _Cut(covered, legs, along, arm, float(hips), float(neck[1]), size)


def _along_the_arms(kinds: Kinds, body: Body) -> Array:
    """How far along the arm each point (V,) of the body is; see `_Cut`."""
    along = np.full(len(body.points), -1.0)
    for side in "LR":
        shoulder, elbow, wrist = (
            body.heads[kinds.number(f"{b}.{side}")] for b in ("upperarm01", "lowerarm01", "wrist")
        )
        first = (body.points - shoulder) @ (elbow - shoulder) / ((elbow - shoulder) @ (elbow - shoulder))
        second = (body.points - elbow) @ (wrist - elbow) / ((wrist - elbow) @ (wrist - elbow))
        fore = kinds.share("lowerarm", "wrist", "finger", "metacarpal", side="." + side)
        mine = kinds.share(*ARM_BONES, side="." + side) > 0.35
        along = np.where(mine, (1 - fore) * first + fore * (1 + np.maximum(second, 0)), along)
    return along


def _skin(figure: Figure, cut: _Cut, looks: Looks, rng: np.random.Generator) -> Mesh:
    """Skin, drawn back under cloth."""
    size, under = cut.size, np.maximum(cut.covered, cut.legs)
    colours = figure.divide(skin_colours(figure.kinds, figure.body, looks, rng))
    shown, (p, n, c, u) = clipped(
        figure.divide.faces, 0.03 * size - under, figure.points, figure.normals, colours, under
    )
    p = p - n * (0.010 * size * ramp(0, 0.012 * size, u))[:, None]
    return Mesh(p, shown, "skin", colours=np.clip(c, 0.004, 0.95), normals=n)


def _top(figure: Figure, cut: _Cut, looks: Looks, rng: np.random.Generator) -> Mesh:
    """The top: loose as its cloth is thick, with folds; smooth between them, never inside the body."""
    size = cut.size
    cloth, (p, n, r, t, a) = clipped(
        figure.divide.faces, cut.covered, figure.points, figure.normals, figure.rest, cut.along, cut.arm
    )
    tallness = (r[:, 1] - cut.hips) / (cut.neck - cut.hips)
    loose = looks.thick * size * (1 + 2.2 * looks.folds * ramp(0.8, 0.05, tallness) * (a < 0.35))
    loose = loose * (1 + 0.8 * looks.folds * ramp(0.2, max(looks.sleeve, 0.4), t) * (a >= 0.35))
    crease = waves(r * np.array([18, 30, 18]) / size, rng) + 0.6 * looks.folds * waves(r * 60 / size, rng, 2)
    edge = np.clip(covered_edge(cloth, p), 0.3, 1)
    p = p + n * (loose * edge * (1 + 0.45 * looks.folds * crease))[:, None]
    held = (a > 0.5) & (t > 0.4)
    flat = smoothed(p, cloth, 14, 0.5, held)
    sunk = np.clip(((flat - p) * n).sum(1), -0.002 * size, None) - ((flat - p) * n).sum(1)
    p = smoothed(flat + n * sunk[:, None], cloth, 2, 0.5)
    p = p + n * (0.0016 * size * looks.folds * waves(r * 90 / size, rng, 2))[:, None]
    return Mesh(p, cloth, "top", r[:, :2] + 0.5)


def _trousers(figure: Figure, cut: _Cut, rng: np.random.Generator) -> Mesh:
    cloth, (p, n, r) = clipped(figure.divide.faces, cut.legs, figure.points, figure.normals, figure.rest)
    p = p + n * (0.009 * cut.size * (1 + 0.3 * waves(r * 20, rng)))[:, None]
    return Mesh(p, cloth, "trousers", r[:, :2])


def _pushed_out(figure: Figure, top: Mesh) -> Outside:
    """What pushes points out of body and top."""
    points = np.concatenate([figure.points, top.points])
    facing = np.concatenate([figure.normals, normals(top.points, top.faces)])
    solid = cKDTree(points)

    def outside(place: Array, least: float | Array) -> Array:
        _, nearest = solid.query(place)
        above = ((place - points[nearest]) * facing[nearest]).sum(1)
        return np.asarray(place + facing[nearest] * np.clip(least - above, 0, 0.08)[:, None])

    return outside


def _frame(figure: Figure, posed: Posed, size: float) -> _Frame:
    left, right = (posed.points[VERTICES[f"side_neck.{s}"]] for s in "LR")
    middle = 0.5 * (left + right)
    up = unit(0.5 * unit(figure.head - middle) + np.array([0, 0.5, 0]))
    across = unit(left - right)
    wide = float(np.linalg.norm(left - right))
    back = float((posed.points[VERTICES["c7"]] - middle) @ up)
    return _Frame(middle, across, up, np.cross(across, up), wide / 2, 0.9 * wide / 2, back, size)


def _covered(body: Body, along: Array, arm: Array, hips: float, looks: Looks, size: float) -> Array:
    """How far inside the top each vertex of the body is, m, negative outside."""
    points, neck, c7 = body.points, body.points[VERTICES["side_neck.L"]], body.points[VERTICES["c7"]]
    wide = {"crew": 1.12, "wide": 1.45, "vee": 1.2, "straps": 1.5}[looks.neckline]
    if looks.cover in ("collar", "roll", "jacket", "scarf"):
        wide = 1.02
    drop = {"crew": 0.03, "wide": 0.04, "vee": 0.03, "straps": 0.045}[looks.neckline] * size
    at = np.array([neck[0] * wide, neck[1] - 0.042 * size * (wide - 1), neck[2]])
    slope = unit(np.array([0, 1.0, drop / (0.075 * size)]))
    below = min(slope @ at, slope @ c7) - points @ slope
    if looks.neckline == "vee":
        below = below - np.clip(1.3 * (0.045 * size - np.abs(points[:, 0])), 0, None) * (points[:, 2] > neck[2])
    field = np.minimum(np.where(along > -1, (looks.sleeve - along) * 0.15 * size, 1.0), below)
    if looks.neckline == "straps":
        field = np.minimum(
            field,
            1.75 * abs(neck[0]) - np.abs(points[:, 0]) + 0.25 * np.clip(neck[1] - 0.1 * size - points[:, 1], 0, None),
        )
    return np.minimum(field, np.where(arm < 0.35, points[:, 1] - (hips - 0.05 * size), 1.0))


def covered_edge(faces: NDArray[np.int64], points: Array) -> Array:
    """1 inside a piece of cloth, less at its border."""
    sides = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), 1)
    unique, count = np.unique(sides, axis=0, return_counts=True)
    value = np.ones(len(points))
    value[unique[count == 1].ravel()] = 0.3
    return smoothed(value[:, None], faces, 3)[:, 0]


def _cover(frame: _Frame, looks: Looks, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """What lies about the neck."""
    return [] if looks.cover == "none" else _COVERS[looks.cover](frame, rng, outside)


_ROUND = np.linspace(-np.pi, np.pi, 72)
"""Angles all round the neck."""


def _roll(frame: _Frame, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """A rolled collar, folded over."""
    tall, fold = rng.uniform(0.025, 0.07) * frame.size, rng.uniform(0.3, 1.0)
    rib = 1 + 0.012 * np.sin(_ROUND * 70)
    rows = [
        outside(frame.at(_ROUND, out * rib, np.full(72, high)), 0.003)
        for out, high in (
            (1.3, -0.012 * frame.size),
            (1.18, 0.0),
            (1.1, 0.4 * tall),
            (1.1, tall),
            (1.22, tall),
            (1.26, tall * (1 - fold)),
        )
    ]
    return [strip(rows, "cover")]


@dataclass(frozen=True)
class _Open:
    """A collar that is open in front: angles, heights of what stands and falls, unevenness, how far its tips spread."""

    ring: Array
    tall: float
    tips: Array
    uneven: Array
    spread: float

    @classmethod
    def drawn(cls, frame: _Frame, rng: np.random.Generator) -> _Open:
        """Any."""
        gap = rng.uniform(0.05, 0.7)
        from_behind = np.linspace(-np.pi + 1e-3, np.pi, 72)
        ring = np.pi + from_behind * (np.pi - gap) / np.pi  # from one side of the front round the back
        tall, fall = rng.uniform(0.018, 0.05) * frame.size, rng.uniform(0.02, 0.055) * frame.size
        tips = fall * (1 + rng.uniform(0, 1.0) * np.exp(-(((np.pi - np.abs(from_behind)) / 0.5) ** 2)))
        return cls(ring, tall, tips, 1 + 0.03 * waves(ring[:, None] * 3, rng), rng.uniform(1.3, 1.7))


def _jacket(frame: _Frame, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """A collar that stands."""
    it, size = _Open.drawn(frame, rng), frame.size
    rows = [
        outside(frame.at(it.ring, out * it.uneven, np.full(72, h)), 0.004)
        for out, h in (
            (1.5, -0.02 * size),
            (1.25, 0.0),
            (1.3, it.tall),
            (1.42, 1.3 * it.tall),
            (1.5, it.tall),
            (1.45, 0.0),
            (1.6, -0.03 * size),
        )
    ]
    return [strip(rows, "cover")]


def _collar(frame: _Frame, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """A collar that falls."""
    it = _Open.drawn(frame, rng)
    rows = [outside(frame.at(it.ring, 1.12 * it.uneven, np.full(72, -0.01 * frame.size)), 0.003)]
    rows += [
        frame.at(it.ring, 1.13 * it.uneven, np.full(72, it.tall)),
        frame.at(it.ring, 1.2 * it.uneven, np.full(72, 1.06 * it.tall)),
    ]
    rows += [
        outside(frame.at(it.ring, (1.2 + (it.spread - 1.2) * s) * it.uneven, it.tall - s * (it.tall + it.tips)), 0.005)
        for s in (0.35, 0.7, 1.0)
    ]
    return [strip(rows, "cover")]


def _hood(frame: _Frame, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """A hood that hangs behind, and its cords."""
    size, front = frame.size, rng.uniform(0.3, 1.0)
    ring = np.linspace(front, 2 * np.pi - front, 40)
    behind = 0.5 - 0.5 * np.cos(ring)
    thick = size * (rng.uniform(0.006, 0.016) + rng.uniform(0.006, 0.024) * behind)
    out = 1.2 + behind * rng.uniform(0.1, 0.5)
    path = outside(frame.at(ring, out, thick * rng.uniform(-0.6, 0.6)), thick * 0.6)
    path = path + 0.004 * size * np.stack([waves(ring[:, None] * 3, rng) for _ in range(3)], 1)
    return [tube(path, thick, "cover", rng.uniform(0.7, 1.3), 14), *_cords(frame, rng, outside)]


def _scarf(frame: _Frame, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """A scarf, once or twice round, one end hanging down now and then."""
    size, pieces = frame.size, []
    for loop in range(int(rng.integers(1, 3))):
        thick = rng.uniform(0.014, 0.032) * size * (1 + 0.25 * waves(_ROUND[:, None] * 2, rng))
        high = thick * (0.3 + 0.9 * loop) + 0.01 * size * waves(_ROUND[:, None], rng)
        path = frame.at(_ROUND, 1.25 + 0.12 * loop, high)
        pieces.append(tube(outside(path, thick * 0.75), thick, "cover", rng.uniform(0.8, 1.6), 14))
    if rng.random() < 0.7:
        side, down = rng.uniform(-0.8, 0.8), np.linspace(0, rng.uniform(0.1, 0.35) * size, 16)
        path = frame.at(np.full(16, side), 1.25, -down)
        pieces.append(tube(outside(path, 0.014), np.full(16, rng.uniform(0.02, 0.04)), "cover", 0.4, 10))
    return pieces


def _cords(frame: _Frame, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    out = []
    for side in (-0.35, 0.35):
        down = np.linspace(0, rng.uniform(0.05, 0.2) * frame.size, 12)
        out.append(tube(outside(frame.at(np.full(12, side), 1.25, -down), 0.004), np.full(12, 0.0028), "cord", 1, 6))
    return out


_COVERS: dict[str, Callable[[_Frame, np.random.Generator, Outside], list[Mesh]]] = {
    "roll": _roll,
    "jacket": _jacket,
    "collar": _collar,
    "hood": _hood,
    "scarf": _scarf,
}
