"""Skin, hair and clothes of a posed body."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.arrays import Array
from vision.training.figures.bodies import VERTICES, Body, Kinds
from vision.training.figures.meshes import Division, Mesh, clipped, normals, ramp, smoothed, strip, tube, waves
from vision.training.figures.posing import ARM_BONES, Posed, unit

Outside = Callable[[Array, "float | Array"], Array]

SKINS = ((0.64, 0.45, 0.36), (0.58, 0.39, 0.29), (0.50, 0.31, 0.21), (0.42, 0.26, 0.17), (0.32, 0.18, 0.11),
         (0.20, 0.11, 0.065), (0.12, 0.065, 0.04), (0.07, 0.04, 0.027))  # fmt: skip
HAIRS = ((0.016, 0.013, 0.012), (0.035, 0.023, 0.017), (0.07, 0.04, 0.024), (0.13, 0.075, 0.04), (0.24, 0.15, 0.08),
         (0.45, 0.33, 0.18), (0.22, 0.08, 0.03), (0.4, 0.39, 0.38))  # fmt: skip
"""Linear reflectances; our choice."""
COVERS = ("none", "collar", "scarf", "roll", "hood", "jacket")
STYLES = ("cap", "cap", "bob", "long behind", "long before", "tail", "plait", "bun", "bald")


@dataclass(frozen=True)
class Looks:
    """What a figure wears and looks like."""

    skin: Array
    hair: Array
    sleeve: float
    neckline: str
    cover: str
    style: str
    thick: float
    folds: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Looks:
        """Any of them."""
        tone = int(rng.integers(len(SKINS)))
        hair = HAIRS[int(rng.integers(2 if tone >= 5 else len(HAIRS)))]
        long = rng.random() < 0.5
        cover = str(rng.choice(COVERS, p=[0.32, 0.2, 0.14, 0.08, 0.14, 0.12]))
        return cls(
            np.array(SKINS[tone]) * rng.uniform(0.85, 1.12) * np.exp(rng.normal(0, 0.04, 3)),
            np.array(hair) * rng.uniform(0.8, 1.25),
            float(rng.uniform(1.75, 1.97) if long else rng.uniform(0.15, 1.1)),
            str(rng.choice(["crew", "crew", "wide", "vee", "straps"] if cover == "none" else ["crew", "vee"])),
            cover,
            str(rng.choice(STYLES)),
            float(rng.uniform(0.003, 0.014) if rng.random() < 0.85 else rng.uniform(0.014, 0.03)),
            float(rng.uniform(0.1, 1.0)),
        )


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


def dressed(kinds: Kinds, body: Body, posed: Posed, looks: Looks, rng: np.random.Generator) -> list[Mesh]:
    """All meshes of the figure."""
    divide = _division(kinds.faces.tobytes())
    rest, faces, points = divide(body.points), divide.faces, divide(posed.points)
    normal = normals(points, faces)
    size = float((body.stature / 1.15) ** 0.75)
    arm_share = kinds.share(*ARM_BONES)
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
    neck = body.points[VERTICES["side_neck.L"]]
    c7 = body.points[VERTICES["c7"]]
    hips = body.heads[kinds.number("pelvis.L")][1]
    covered = _covered(body.points, along, arm_share, neck, c7, hips, looks, size)
    covered, along, arm_share, tall = (divide(v) for v in (covered, along, arm_share, body.points[:, 1]))
    waist, ankle = hips + 0.05 * size, body.heads[kinds.number("foot.L")][1] + 0.02
    legs = np.minimum(np.minimum(waist - tall, tall - ankle), 0.5 - 2 * arm_share)
    out: list[Mesh] = []
    # skin, drawn back under cloth
    under = np.maximum(covered, legs)
    shown, (p, n, c, u) = clipped(
        faces, 0.03 * size - under, points, normal, divide(_skin_colours(kinds, body, looks, rng)), under
    )
    p = p - n * (0.010 * size * ramp(0, 0.012 * size, u))[:, None]
    out.append(Mesh(p, shown, "skin", colours=np.clip(c, 0.004, 0.95), normals=n))
    # the top
    cloth, (p, n, r, t, a) = clipped(faces, covered, points, normal, rest, along, arm_share)
    tallness = (r[:, 1] - hips) / (neck[1] - hips)
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
    out.append(Mesh(p, cloth, "top", r[:, :2] + 0.5))
    # trousers
    trousers, (q, m, s) = clipped(faces, legs, points, normal, rest)
    q = q + m * (0.009 * size * (1 + 0.3 * waves(s * 20, rng)))[:, None]
    out.append(Mesh(q, trousers, "trousers", s[:, :2]))
    solid = cKDTree(np.concatenate([points, p]))
    shell = np.concatenate([points, p]), np.concatenate([normal, normals(p, cloth)])

    def outside(place: Array, least: float | Array) -> Array:
        """Points pushed out of body and top."""
        _, nearest = solid.query(place)
        above = ((place - shell[0][nearest]) * shell[1][nearest]).sum(1)
        return np.asarray(place + shell[1][nearest] * np.clip(least - above, 0, 0.08)[:, None])

    left, right = (posed.points[VERTICES[f"side_neck.{s}"]] for s in "LR")
    head, middle = posed.joints[kinds.number("head")], 0.5 * (left + right)
    up = unit(0.5 * unit(head - middle) + np.array([0, 0.5, 0]))
    across = unit(left - right)
    front = np.cross(across, up)
    frame = _Frame(
        middle,
        across,
        up,
        front,
        float(np.linalg.norm(left - right)) / 2,
        0.9 * float(np.linalg.norm(left - right)) / 2,
        float((posed.points[VERTICES["c7"]] - middle) @ up),
        size,
    )
    out += _cover(frame, looks, rng, outside)
    turn = posed.turns[kinds.number("head")]
    out += _hair(kinds, body, (points, normal, rest, faces, divide), head, turn, looks, rng, outside)
    return out


def _covered(
    points: Array, along: Array, arm: Array, neck: Array, c7: Array, hips: float, looks: Looks, size: float
) -> Array:
    """How far inside the top each vertex of the body is, m, negative outside."""
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


def _skin_colours(kinds: Kinds, body: Body, looks: Looks, rng: np.random.Generator) -> Array:
    v = body.points
    colours = looks.skin * (1 + 0.05 * waves(v * 40, rng)[:, None] + 0.04 * waves(v * 160, rng, 2)[:, None])
    red = np.array([0.10, -0.14, -0.15]) * rng.uniform(0.3, 1.2)
    nose = v[VERTICES["nose"]]
    eyes = [body.heads[kinds.number(f"eye.{s}")] for s in "LR"]
    face = float(np.linalg.norm(eyes[0] - eyes[1]))
    blush = sum(
        (
            np.exp(-((v - np.array([x * face, nose[1], nose[2] - 0.4 * face])) ** 2).sum(1) / (0.5 * face) ** 2)
            for x in (-0.7, 0, 0.7)
        ),
        np.zeros(len(v)),
    )
    hands = kinds.share("finger", "wrist", "metacarpal")
    colours = colours * (1 + (blush + 0.35 * hands)[:, None] * red)
    if looks.skin.mean() < 0.28:  # palms of dark skin are lighter
        colours = colours * (1 + 0.5 * hands * rng.uniform(0.3, 1.0))[:, None]
    mouth = np.exp(-(((v[:, 0]) / (0.42 * face)) ** 4) - ((v[:, 1] - nose[1] + 0.62 * face) / (0.13 * face)) ** 2)
    mouth = mouth * (v[:, 2] > nose[2] - 0.5 * face)
    colours = colours * (1 - 0.5 * mouth[:, None] * np.array([0.1, 0.7, 0.6]))
    for side, sign, eye in zip("LR", (1, -1), eyes, strict=True):
        x, y = sign * (v[:, 0] - eye[0]) / face, (v[:, 1] - eye[1]) / face
        brow = np.exp(-(((y - 0.32 + 0.15 * x**2) / 0.06) ** 2) - (x / 0.36) ** 4) * (v[:, 2] > eye[2] - 0.3 * face)
        colours = colours * (1 - 0.75 * brow[:, None]) + 0.75 * brow[:, None] * (looks.hair + 0.01)
        ball = kinds.share(f"eye.{side}") > 0.5
        away = np.hypot(v[ball][:, 0] - eye[0], v[ball][:, 1] - eye[1]) / (0.19 * face)
        iris = np.array([[0.06, 0.04, 0.03], [0.1, 0.14, 0.2]][int(rng.integers(2))])
        colours[ball] = np.where((away < 0.45)[:, None], iris, np.array([0.7, 0.68, 0.66]))
    return np.asarray(colours)


def _cover(frame: _Frame, looks: Looks, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """What lies about the neck."""
    size, kind = frame.size, looks.cover
    every = np.linspace(-np.pi, np.pi, 72)
    if kind == "none":
        return []
    if kind == "roll":
        tall, fold = rng.uniform(0.025, 0.07) * size, rng.uniform(0.3, 1.0)
        rib = 1 + 0.012 * np.sin(every * 70)
        rows = [
            outside(frame.at(every, out * rib, np.full(72, high)), 0.003)
            for out, high in (
                (1.3, -0.012 * size),
                (1.18, 0.0),
                (1.1, 0.4 * tall),
                (1.1, tall),
                (1.22, tall),
                (1.26, tall * (1 - fold)),
            )
        ]
        return [strip(rows, "cover")]
    if kind in ("collar", "jacket"):
        gap = rng.uniform(0.05, 0.7)
        open_ = np.linspace(-np.pi + 1e-3, np.pi, 72)
        ring = np.pi + np.sign(open_) * 0 + open_ * (np.pi - gap) / np.pi  # from one side of the front round the back
        tall, fall = rng.uniform(0.018, 0.05) * size, rng.uniform(0.02, 0.055) * size
        tips = fall * (1 + rng.uniform(0, 1.0) * np.exp(-(((np.pi - np.abs(open_)) / 0.5) ** 2)))
        wob = 1 + 0.03 * waves(ring[:, None] * 3, rng)
        spread = rng.uniform(1.3, 1.7)
        if kind == "jacket":  # a collar that stands, open in front
            rows = [
                outside(frame.at(ring, out * wob, np.full(72, h)), 0.004)
                for out, h in (
                    (1.5, -0.02 * size),
                    (1.25, 0.0),
                    (1.3, tall),
                    (1.42, 1.3 * tall),
                    (1.5, tall),
                    (1.45, 0.0),
                    (1.6, -0.03 * size),
                )
            ]
            return [strip(rows, "cover")]
        rows = [outside(frame.at(ring, 1.12 * wob, np.full(72, -0.01 * size)), 0.003)]
        rows += [frame.at(ring, 1.13 * wob, np.full(72, tall)), frame.at(ring, 1.2 * wob, np.full(72, 1.06 * tall))]
        rows += [
            outside(frame.at(ring, (1.2 + (spread - 1.2) * s) * wob, tall - s * (tall + tips)), 0.005)
            for s in (0.35, 0.7, 1.0)
        ]
        return [strip(rows, "cover")]
    if kind == "hood":
        front = rng.uniform(0.3, 1.0)
        ring = np.linspace(front, 2 * np.pi - front, 40)
        behind = 0.5 - 0.5 * np.cos(ring)
        thick = size * (rng.uniform(0.006, 0.016) + rng.uniform(0.006, 0.024) * behind)
        out = 1.2 + behind * rng.uniform(0.1, 0.5)
        path = outside(frame.at(ring, out, thick * rng.uniform(-0.6, 0.6)), thick * 0.6)
        path = path + 0.004 * size * np.stack([waves(ring[:, None] * 3, rng) for _ in range(3)], 1)
        return [tube(path, thick, "cover", rng.uniform(0.7, 1.3), 14), *_cords(frame, rng, outside)]
    pieces = []
    for loop in range(int(rng.integers(1, 3))):
        thick = rng.uniform(0.014, 0.032) * size * (1 + 0.25 * waves(every[:, None] * 2, rng))
        path = frame.at(
            every, 1.25 + 0.12 * loop, thick * (0.3 + 0.9 * loop) + 0.01 * size * waves(every[:, None], rng)
        )
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


def _hair(
    kinds: Kinds,
    body: Body,
    mesh: tuple[Array, Array, Array, NDArray[np.int64], Division],
    head: Array,
    turn: Array,
    looks: Looks,
    rng: np.random.Generator,
    outside: Outside,
) -> list[Mesh]:
    """A cap on the scalp, and locks that fall from it."""
    if looks.style == "bald":
        return []
    points, normal, rest, faces, divide = mesh
    v = body.points
    eyes = 0.5 * (body.heads[kinds.number("eye.L")] + body.heads[kinds.number("eye.R")])
    tall = float(v[:, 1].max() - eyes[1])
    brow = np.array([0, eyes[1] + rng.uniform(0.35, 0.6) * tall, eyes[2] + 0.02 * tall])
    slope = unit(np.array([0, 0.6, -0.8]))
    nape = body.heads[kinds.number("head")][1] - rng.uniform(0.0, 0.35) * tall
    field = np.minimum((v - brow) @ slope, v[:, 1] - nape)
    field = np.where((kinds.share("head", "neck02", "neck03") > 0.5) & ~kinds.inside, field, -1.0)
    field = np.where(kinds.share("eye") > 0.5, -1.0, field)
    cap, (p, n, r, f) = clipped(faces, divide(field), points, normal, rest, divide(field))
    thick = rng.uniform(0.006, 0.028) * ramp(0, 0.03, f) + 0.0015
    angle = np.arctan2(r[:, 0], r[:, 2] - eyes[2] + tall)
    streak = waves(np.stack([angle * 30, r[:, 1] * 12], 1), rng, 4)
    p = smoothed(p + n * (thick * (1 + 0.25 * streak))[:, None], cap, 2)
    colours = looks.hair * np.exp(0.45 * streak + 0.12 * rng.normal(size=len(p)))[:, None]
    out = [Mesh(p, cap, "hair", colours=np.clip(colours, 0.003, 0.9))]
    if looks.style == "cap":
        return out
    size = (body.stature / 1.15) ** 0.6
    low = f < np.quantile(f, 0.4)
    behind = r[:, 2] < eyes[2] - (0.9 if looks.style == "long behind" else 0.35) * tall
    roots = np.nonzero(low & behind)[0]
    length = {
        "bob": rng.uniform(0.06, 0.14),
        "tail": rng.uniform(0.12, 0.3),
        "plait": rng.uniform(0.2, 0.35),
        "bun": 0.0,
    }.get(looks.style, rng.uniform(0.18, 0.45)) * size
    back = head + turn @ np.array([0, rng.uniform(0.1, 0.7) * tall, -1.1 * tall])
    if looks.style == "bun":
        ring = np.linspace(0, 2 * np.pi, 14)
        path = back + 0.018 * size * (
            np.cos(ring)[:, None] * (turn @ np.array([1, 0, 0])) + np.sin(ring)[:, None] * (turn @ np.array([0, 1, 0]))
        )
        return [*out, _coloured(tube(path, np.full(14, 0.02 * size), "hair"), looks, rng)]
    if looks.style == "plait":
        side = float(rng.choice([-1.0, 1.0]))
        start = head + turn @ np.array([side * 0.55 * tall, -0.1 * tall, -0.6 * tall])
        steps = np.linspace(0, 1, 24)[:, None]
        path = (
            start
            + steps * np.array([side * 0.02, -length, 0])
            + np.sin(np.clip(steps * 4, 0, 1.57)) * np.array([0, 0, 0.6 * tall])
        )
        path = outside(outside(path, 0.012), 0.012)
        return [*out, _coloured(tube(path, 0.013 * size * (1 + 0.2 * np.sin(steps[:, 0] * 60)), "hair"), looks, rng)]
    count = 300
    chosen = roots[rng.integers(0, len(roots), count)]
    place = p[chosen] if looks.style != "tail" else back + rng.normal(0, 0.008, (count, 3))
    course = unit(rng.uniform(0.2, 0.9) * n[chosen] + np.array([0, -0.4, 0]) + rng.normal(0, 0.15, (count, 3)))
    if looks.style == "tail":
        course = unit(turn @ np.array([0, 0.1, -1.0]) + rng.normal(0, 0.25, (count, 3)))
    fore = np.array([0, 0, {"long before": 0.35, "long behind": -0.3}.get(looks.style, -0.05)])
    layer = rng.uniform(0.003, 0.022, count) * size
    steps, drawn = 16, [place]
    for _ in range(steps):
        course = unit(
            0.72 * course
            + np.array([0, -0.42, 0])
            + 0.3 * fore * (np.abs(place[:, :1] - head[0]) > 0.3 * tall)
            + rng.normal(0, 0.05, (count, 3))
        )
        moved = outside(place + course * (length / steps), layer)
        course = unit(moved - place)
        place = moved
        drawn.append(place)
    paths = np.stack(drawn, 1)  # (count, steps + 1, 3)
    away = unit(paths - (head + np.array([0, -0.1, 0])) * np.array([1, 0, 1]) - paths * np.array([0, 1, 0]))
    along = np.gradient(paths, axis=1)
    aside = unit(np.cross(along, away))
    width = rng.uniform(0.007, 0.022, (count, 1, 1)) * size * np.sqrt(np.linspace(1, 0.15, steps + 1))[None, :, None]
    grid = np.stack([paths - aside * width, paths + away * width * 0.5, paths + aside * width], 2)
    points_out = grid.reshape(-1, 3)
    m = 3 * (steps + 1)
    i, j, k = np.meshgrid(np.arange(count), np.arange(steps), np.arange(2), indexing="ij")
    a = (i * m + j * 3 + k).ravel()
    lock_faces = np.concatenate([np.stack([a, a + 3, a + 1], 1), np.stack([a + 1, a + 3, a + 4], 1)])
    shade = np.exp(0.35 * rng.normal(size=(count, 1, 1)) + 0.25 * rng.normal(size=(count, 1, 3)))
    shade = np.broadcast_to(shade, (count, steps + 1, 3)).reshape(-1, 1)
    return [*out, Mesh(points_out, lock_faces, "hair", colours=np.clip(looks.hair * shade, 0.003, 0.9))]


def _coloured(mesh: Mesh, looks: Looks, rng: np.random.Generator) -> Mesh:
    streak = np.exp(0.4 * waves(mesh.points * 150, rng, 3))[:, None]
    return Mesh(mesh.points, mesh.faces, mesh.material, None, np.clip(looks.hair * streak, 0.003, 0.9))
