"""Hair as strands that fall from the scalp over head, neck and clothes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Indices
from vision.training.figures.bodies import Kinds
from vision.training.figures.meshes import normals
from vision.training.figures.posing import Posed, unit
from vision.training.outsider.pieces import Made, Strands
from vision.training.outsider.skin import Skin

STYLES = ("crop", "short", "bob", "long", "over", "tail", "bun", "curls")
OVER_THE_NECK = ("bob", "long", "over", "curls")
PLACES = 18
"""Places along a strand."""
LENGTH_M = {"crop": (0.012, 0.03), "short": (0.05, 0.10), "bob": (0.15, 0.24), "long": (0.28, 0.5),
            "over": (0.26, 0.45), "tail": (0.2, 0.42), "bun": (0.16, 0.2), "curls": (0.14, 0.26)}  # fmt: skip
MELANIN = ((0.95, 0.1), (0.85, 0.3), (0.7, 0.4), (0.5, 0.5), (0.3, 0.4), (0.2, 0.2), (0.45, 0.9))
"""Of `Principled Hair`: how much, and how red; our choice, from black to fair and red."""


@dataclass(frozen=True)
class Hair:
    """How hair is worn: style, length (m), side of the parting (-1 to 1), colour, number of strands."""

    style: str
    length: float
    parting: float
    melanin: tuple[float, float]
    count: int

    @classmethod
    def drawn(cls, rng: np.random.Generator, style: str, dark: bool) -> Hair:
        """Any of a style."""
        low, high = LENGTH_M[style]
        colour = MELANIN[int(rng.integers(2 if dark else len(MELANIN)))]
        return cls(style, float(rng.uniform(low, high)), float(rng.uniform(-0.5, 0.5)), colour, 5200)

    @property
    def made(self) -> Made:
        """Its material."""
        return {"kind": "hair", "melanin": self.melanin[0], "redness": self.melanin[1]}


@dataclass(frozen=True)
class Head:
    """A posed head: middle, axes (left, up, front) as rows, height and half width, m; scalp's points and normals."""

    middle: Array
    axes: Array
    height: float
    half: Array
    roots: Array
    ways: Array
    scalp: Indices

    @classmethod
    def of(cls, kinds: Kinds, posed: Posed) -> Head:
        """Of a posed body."""
        owned = kinds.share("head") > 0.6
        own = np.zeros(len(posed.points), bool)
        own[: len(owned)] = owned & ~kinds.inside
        axes = posed.turns[kinds.number("head")].T
        numbers = np.nonzero(own)[0]
        local = posed.points[numbers] @ axes.T
        low, high = local.min(0), local.max(0)
        middle = 0.5 * (low + high)
        place = (local - middle) / (0.5 * (high - low))
        turn = np.degrees(np.arctan2(np.abs(place[:, 0]), place[:, 2]))  # 0 in front, 180 behind
        line = np.interp(turn, [0, 40, 70, 95, 125, 180], [0.66, 0.62, 0.35, -0.05, -0.45, -0.55])
        ears = (np.abs(place[:, 0]) > 0.86) & (place[:, 1] < 0.25)
        scalp = (place[:, 1] > line) & ~ears
        faces = kinds.faces.astype(np.int64)
        ways = normals(posed.points[: len(owned)], faces)
        chosen = numbers[scalp]
        return cls(
            middle @ axes,
            axes,
            float(high[1] - low[1]),
            0.5 * (high - low),
            posed.points[chosen],
            ways[chosen],
            np.asarray(chosen),
        )


def strands(head: Head, hair: Hair, skin: Skin, faces: NDArray[np.int64], points: Array, seed: int) -> Strands:
    """Hair of a head.

    Parameters
    ----------
    head, hair : Head, Hair
        Where it grows and how it is worn.
    skin : Skin
        What it falls over.
    faces, points : ndarray
        Of the body, to find places between the scalp's points.
    seed : int
        For the strands' own ways.
    """
    rng = np.random.default_rng(seed)
    isin = np.zeros(len(points), bool)
    isin[head.scalp] = True
    on = faces[isin[faces].all(1)]
    area = np.linalg.norm(np.cross(points[on[:, 1]] - points[on[:, 0]], points[on[:, 2]] - points[on[:, 0]]), axis=1)
    picked = on[rng.choice(len(on), hair.count, p=area / area.sum())]
    share = rng.dirichlet([1, 1, 1], hair.count)[..., None]
    way_of = np.zeros_like(points)
    way_of[head.scalp] = head.ways
    at, way = (points[picked] * share).sum(1), unit((way_of[picked] * share).sum(1))
    left, up, front = head.axes
    local = (at - head.middle) @ head.axes.T / (0.5 * head.height)
    down = np.array([0, -1.0, 0])
    away = np.sign(local[:, 0] - 0.5 * hair.parting + 1e-6)
    comb = away[:, None] * left * 0.9 - 0.5 * front
    if hair.style in ("crop", "short"):
        comb = 0.5 * away[:, None] * left + np.where(local[:, 2:] > 0.2, 0.4, -0.6) * front - 0.2 * up
    knot = head.middle + (-1.05 * front + 0.25 * rng.normal() * up) * 0.5 * head.height
    if hair.style == "bun":
        knot = head.middle + (0.75 * up - 0.8 * front) * 0.5 * head.height
    length = hair.length * np.exp(rng.normal(0, 0.12, hair.count))
    fringe = (rng.random() < 0.4) & (local[:, 2] > 0.35) & (np.abs(local[:, 0]) < 0.6) & (local[:, 1] > 0.3)
    if hair.style not in ("crop", "tail", "bun"):
        length = np.where(fringe, np.minimum(length, 0.3 * head.height * rng.uniform(0.8, 1.1)), length)
        comb = np.where(fringe[:, None], front - 0.2 * up, comb)
    if hair.style in ("long", "over"):
        length *= np.clip(1 - 0.25 * local[:, 1], 0.8, 1.25)
    step = length / (PLACES - 1)
    clump = rng.integers(0, 260, hair.count)
    own = rng.normal(0, 1, (260, 3))[clump] * 0.10 + rng.normal(0, 0.05, (hair.count, 3))
    height = np.abs(rng.normal(0, 0.004, hair.count)) + 0.0015
    volume = float(rng.uniform(0.0, 0.012)) if hair.style not in ("crop", "tail", "bun") else 0.0
    stiff = {"crop": 0.9, "short": 0.6, "curls": 0.5}.get(hair.style, 0.35)
    out = [at + 0.0005 * way]
    heading = unit(0.45 * way + comb + own)
    phase, waviness = rng.uniform(0, 2 * np.pi, 260)[clump], rng.uniform(0, 0.25)
    if hair.style == "curls":
        waviness = 0.9
    side = np.sign(local[:, 0] + 1e-6)
    forwards = hair.style == "over"
    tied = np.zeros(hair.count, bool)
    for k in range(1, PLACES):
        t = k / (PLACES - 1)
        pull = down
        if hair.style in ("tail", "bun"):
            to = knot - out[-1]
            far = np.linalg.norm(to, axis=1)
            tied |= far < 0.022
            pull = np.where(tied[:, None], down - 0.25 * front, unit(to) * 1.6)
            if hair.style == "bun":
                spin = np.cross(to, front) / np.maximum(far, 1e-3)[:, None]
                pull = unit(to) + 1.3 * spin * tied[:, None]
        elif forwards:
            # hair that lies before the shoulder, on both sides or on one
            pull = down + (0.55 * front + 0.25 * side[:, None] * left) * float(t < 0.45)
        wave = waviness * np.sin(phase + 14 * t + rng.normal(0, 0.1))[:, None] * np.cross(heading, up)
        heading = unit(stiff * heading + (1 - stiff) * pull + 0.25 * own + 0.4 * wave)
        new = out[-1] + step[:, None] * heading
        if hair.style in ("tail", "bun"):
            to = knot - out[-1]
            reach = np.linalg.norm(to, axis=1)
            quick = ~tied & (reach < 2.2 * step)
            new = np.where(quick[:, None], knot + 0.006 * own / 0.1, new)
        new = skin.pushed(new, height + volume * np.sin(np.pi * min(1.0, 1.4 * t)))
        new = np.where(fringe[:, None], new, _off_the_face(head, new, side))
        new[:, 2] = np.maximum(new[:, 2], 0.004 - 0.001 * rng.random(hair.count))  # the wall
        heading = unit(0.5 * heading + 0.5 * unit(new - out[-1]))
        out.append(new)
    return Strands(np.stack(out, 1), float(rng.uniform(0.00035, 0.0006)), hair.made)


def _off_the_face(head: Head, at: Array, side: Array) -> Array:
    """Strands that would hang over the face moved aside, as they are worn."""
    local = (at - head.middle) @ head.axes.T / head.half
    wide = 0.62 + 0.25 * np.clip(-local[:, 1], 0, 1)
    over = (local[:, 2] > 0.1) & (local[:, 1] < 0.62) & (local[:, 1] > -1.5) & (np.abs(local[:, 0]) < wide)
    move = over * np.minimum(wide - np.abs(local[:, 0]), 0.35) * head.half[0] * side
    return np.asarray(at + move[:, None] * head.axes[0])
