"""What a figure looks like: which skin, hair and clothes it has; the colours of its skin, and its hair."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from vision.training.figures.bodies import VERTICES, Body, Kinds
from vision.training.figures.meshes import Division, Mesh, clipped, ramp, smoothed, tube, waves
from vision.training.figures.posing import unit

Outside = Callable[[Array, "float | Array"], Array]
"""Points pushed out of body and clothes, so far at least, m."""

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


@dataclass(frozen=True)
class Figure:
    """A posed body, its skin divided: points, normals, and where the points are at rest; its head."""

    kinds: Kinds
    body: Body
    divide: Division
    points: Array
    normals: Array
    rest: Array
    head: Array
    turn: Array


def skin_colours(kinds: Kinds, body: Body, looks: Looks, rng: np.random.Generator) -> Array:
    """Colours (V, 3) of a body's points: face, hands, mouth, brows and eyes apart."""
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


def hair(figure: Figure, looks: Looks, rng: np.random.Generator, outside: Outside) -> list[Mesh]:
    """A cap on the scalp, and locks that fall from it."""
    return [] if looks.style == "bald" else _Hair(figure, looks, rng, outside).meshes()


@dataclass(frozen=True)
class _Scalp:
    """The points of a cap of hair (P, 3), their normals, where they are at rest, and how far from its border (P,)."""

    points: Array
    normals: Array
    rest: Array
    inside: Array


class _Hair:
    """Hair of one figure in one style."""

    def __init__(self, figure: Figure, looks: Looks, rng: np.random.Generator, outside: Outside) -> None:
        self.figure, self.looks, self.rng, self.outside = figure, looks, rng, outside
        heads, number = figure.body.heads, figure.kinds.number
        self.eyes = 0.5 * (heads[number("eye.L")] + heads[number("eye.R")])
        self.tall = float(figure.body.points[:, 1].max() - self.eyes[1])
        self.size = (figure.body.stature / 1.15) ** 0.6

    def meshes(self) -> list[Mesh]:
        """The cap, and what falls from it."""
        cap, scalp = self._cap()
        style, rng = self.looks.style, self.rng
        if style == "cap":
            return [cap]
        length = {
            "bob": rng.uniform(0.06, 0.14),
            "tail": rng.uniform(0.12, 0.3),
            "plait": rng.uniform(0.2, 0.35),
            "bun": 0.0,
        }.get(style, rng.uniform(0.18, 0.45)) * self.size
        back = self.figure.head + self.figure.turn @ np.array([0, rng.uniform(0.1, 0.7) * self.tall, -1.1 * self.tall])
        if style == "bun":
            return [cap, self._bun(back)]
        if style == "plait":
            return [cap, self._plait(length)]
        return [cap, self._locks(self._fallen(scalp, back, length))]

    def _cap(self) -> tuple[Mesh, _Scalp]:
        """Hair that lies on the scalp."""
        figure, rng, eyes, tall = self.figure, self.rng, self.eyes, self.tall
        v, kinds, divide = figure.body.points, figure.kinds, figure.divide
        brow = np.array([0, eyes[1] + rng.uniform(0.35, 0.6) * tall, eyes[2] + 0.02 * tall])
        slope = unit(np.array([0, 0.6, -0.8]))
        nape = figure.body.heads[kinds.number("head")][1] - rng.uniform(0.0, 0.35) * tall
        field = np.minimum((v - brow) @ slope, v[:, 1] - nape)
        field = np.where((kinds.share("head", "neck02", "neck03") > 0.5) & ~kinds.inside, field, -1.0)
        field = np.where(kinds.share("eye") > 0.5, -1.0, field)
        faces, (p, n, r, f) = clipped(
            divide.faces, divide(field), figure.points, figure.normals, figure.rest, divide(field)
        )
        thick = rng.uniform(0.006, 0.028) * ramp(0, 0.03, f) + 0.0015
        angle = np.arctan2(r[:, 0], r[:, 2] - eyes[2] + tall)
        streak = waves(np.stack([angle * 30, r[:, 1] * 12], 1), rng, 4)
        p = smoothed(p + n * (thick * (1 + 0.25 * streak))[:, None], faces, 2)
        colours = self.looks.hair * np.exp(0.45 * streak + 0.12 * rng.normal(size=len(p)))[:, None]
        return Mesh(p, faces, "hair", colours=np.clip(colours, 0.003, 0.9)), _Scalp(p, n, r, f)

    def _bun(self, back: Array) -> Mesh:
        """A knot behind the head."""
        turn, size, ring = self.figure.turn, self.size, np.linspace(0, 2 * np.pi, 14)
        path = back + 0.018 * size * (
            np.cos(ring)[:, None] * (turn @ np.array([1, 0, 0])) + np.sin(ring)[:, None] * (turn @ np.array([0, 1, 0]))
        )
        return self._coloured(tube(path, np.full(14, 0.02 * size), "hair"))

    def _plait(self, length: float) -> Mesh:
        """One plait, before a shoulder."""
        head, turn, tall = self.figure.head, self.figure.turn, self.tall
        side = float(self.rng.choice([-1.0, 1.0]))
        start = head + turn @ np.array([side * 0.55 * tall, -0.1 * tall, -0.6 * tall])
        steps = np.linspace(0, 1, 24)[:, None]
        path = (
            start
            + steps * np.array([side * 0.02, -length, 0])
            + np.sin(np.clip(steps * 4, 0, 1.57)) * np.array([0, 0, 0.6 * tall])
        )
        path = self.outside(self.outside(path, 0.012), 0.012)
        return self._coloured(tube(path, 0.013 * self.size * (1 + 0.2 * np.sin(steps[:, 0] * 60)), "hair"))

    def _coloured(self, mesh: Mesh) -> Mesh:
        streak = np.exp(0.4 * waves(mesh.points * 150, self.rng, 3))[:, None]
        return Mesh(mesh.points, mesh.faces, mesh.material, None, np.clip(self.looks.hair * streak, 0.003, 0.9))

    def _fallen(self, scalp: _Scalp, back: Array, length: float) -> Array:
        """Where locks fall (L, S, 3): from the scalp's border, or all from one place of a tail."""
        rng, style, head, tall = self.rng, self.looks.style, self.figure.head, self.tall
        low = scalp.inside < np.quantile(scalp.inside, 0.4)
        behind = scalp.rest[:, 2] < self.eyes[2] - (0.9 if style == "long behind" else 0.35) * tall
        roots = np.nonzero(low & behind)[0]
        count, steps = 300, 16
        chosen = roots[rng.integers(0, len(roots), count)]
        place = scalp.points[chosen] if style != "tail" else back + rng.normal(0, 0.008, (count, 3))
        away = rng.uniform(0.2, 0.9) * scalp.normals[chosen]
        course = unit(away + np.array([0, -0.4, 0]) + rng.normal(0, 0.15, (count, 3)))
        if style == "tail":
            course = unit(self.figure.turn @ np.array([0, 0.1, -1.0]) + rng.normal(0, 0.25, (count, 3)))
        fore = np.array([0, 0, {"long before": 0.35, "long behind": -0.3}.get(style, -0.05)])
        layer = rng.uniform(0.003, 0.022, count) * self.size
        paths = [place]
        for _ in range(steps):
            course = unit(
                0.72 * course
                + np.array([0, -0.42, 0])
                + 0.3 * fore * (np.abs(place[:, :1] - head[0]) > 0.3 * tall)
                + rng.normal(0, 0.05, (count, 3))
            )
            moved = self.outside(place + course * (length / steps), layer)
            course = unit(moved - place)
            place = moved
            paths.append(place)
        return np.stack(paths, 1)

    def _locks(self, paths: Array) -> Mesh:
        """Flat locks along paths (L, S, 3), narrower towards their ends."""
        rng, head = self.rng, self.figure.head
        count, steps = len(paths), paths.shape[1] - 1
        away = unit(paths - (head + np.array([0, -0.1, 0])) * np.array([1, 0, 1]) - paths * np.array([0, 1, 0]))
        along = np.gradient(paths, axis=1)
        aside = unit(np.cross(along, away))
        narrower = np.sqrt(np.linspace(1, 0.15, steps + 1))[None, :, None]
        width = rng.uniform(0.007, 0.022, (count, 1, 1)) * self.size * narrower
        grid = np.stack([paths - aside * width, paths + away * width * 0.5, paths + aside * width], 2)
        m = 3 * (steps + 1)
        i, j, k = np.meshgrid(np.arange(count), np.arange(steps), np.arange(2), indexing="ij")
        a = (i * m + j * 3 + k).ravel()
        faces = np.concatenate([np.stack([a, a + 3, a + 1], 1), np.stack([a + 1, a + 3, a + 4], 1)])
        shade = np.exp(0.35 * rng.normal(size=(count, 1, 1)) + 0.25 * rng.normal(size=(count, 1, 3)))
        shade = np.broadcast_to(shade, (count, steps + 1, 3)).reshape(-1, 1)
        return Mesh(grid.reshape(-1, 3), faces, "hair", colours=np.clip(self.looks.hair * shade, 0.003, 0.9))
