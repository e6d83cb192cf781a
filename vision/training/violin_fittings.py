"""What is mounted on a violin: pegs, bridge, tailpiece, strings, chin rest and shoulder rest.

The frame is that of `vision.training.violin`.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from vision.training.pieces import (
    CHIN_REST,
    DULL,
    FITTING,
    METAL,
    POLISH,
    SHOULDER_REST,
    VARNISH,
    Finish,
    Patch,
    Skin,
    ball,
    block,
    sheet,
    tube,
)
from vision.training.violin_wood import LENGTH, Build, board_height, cheek, head_line


def pegs(rng: np.random.Generator, b: Build) -> list[Patch]:
    """Four pegs: shank, collar and head each."""
    _, _, _, upper = head_line(b)
    size = b.head**0.9 * rng.uniform(0.85, 1.2)
    colour = b.fitting if rng.random() < 0.8 else b.fitting * 0.3 + rng.uniform(0.02, 0.5, 3) * 0.7
    finish = Finish(colour, FITTING, POLISH)
    z_nut = float(board_height(b, b.nut))
    parts = []
    for share, side in ((0.20, -1), (0.40, 1), (0.62, -1), (0.84, 1)):
        y = b.nut + share * (upper - b.nut)
        z = z_nut - 12.0 - 0.22 * (y - b.nut)
        out = float(side * cheek(b, y))
        reach = 17 * size * rng.uniform(0.85, 1.25)
        lean = rng.normal(0, 0.04) * reach
        shank = [(-out - side * 2.5, y, z), (out + side * reach * 0.5, y, z), (out + side * reach * 0.85, y + lean, z)]
        parts.append(tube(shank, (2.6 * size, 3.4 * size, 2.7 * size), finish))
        collar = [(out + side * reach * 0.42, y, z), (out + side * reach * 0.56, y, z)]
        parts.append(tube(collar, (4.3 * size,) * 2, finish))
        centre = (out + side * (reach * 0.75 + 9.0 * size), y + lean, z)
        parts.append(ball(centre, (10.5 * size, 10.0 * size, 3.4 * size), rng.uniform(-1.5, 1.5), finish))
    return parts


def bridge(b: Build) -> list[Patch]:
    """The bridge's two faces, with its openings, its upper edge, and a foot."""
    pale = np.array([0.55, 0.36, 0.17]) * (0.8 if not b.plastic else 1.2)
    wood = Finish(pale, FITTING, VARNISH)
    foot = b.top + b.arch * 0.97
    top = np.stack(
        [np.column_stack([_CROWN[:, 0], np.full(13, b.bridge + s * 0.7), _CROWN[:, 1] + foot]) for s in (-1, 1)]
    )
    ends = (13.5, b.bridge - 2.2, foot - 1), (20.5, b.bridge + 2.2, foot + 2)
    return [*_bridge_faces(b, pale, foot), sheet(top, wood), *block(*ends, wood)]


_BRIDGE_TALL, _BRIDGE_WIDE = 32.5, 20.5
"""Height of a bridge and half its width at the feet, mm."""
_CROWN = np.array(
    [
        (x, _BRIDGE_TALL - (42 - np.sqrt(42**2 - x**2)))
        for x in np.linspace(_BRIDGE_WIDE * 0.84, -_BRIDGE_WIDE * 0.84, 13)
    ]
)
"""Its upper edge (13, 2), mm: an arc of 42 mm."""
_BRIDGE_CELLS = 1 / 0.3
"""Cells a mm of the masks of its faces."""


def _bridge_mask() -> NDArray[np.uint8]:
    """Where a bridge's face is wood: rows up from its feet, columns to the treble side, with three cells of room."""
    tall, wide, scale = _BRIDGE_TALL, _BRIDGE_WIDE, _BRIDGE_CELLS
    half = [(4, 6), (8, 4.5), (12.5, 3), (13.5, 0), (wide, 0), (wide, 2.2)]
    half += [(wide * 0.83, 8), (wide * 0.93, 14), (wide * 0.8, 20), (wide * 0.84, 25)]
    shape = np.array([(0, 7), *half, *_CROWN.tolist(), *[(-x, z) for x, z in half[::-1]]], float)
    mask = np.zeros((int(tall * scale) + 8, int(2 * wide * scale) + 8), np.uint8)
    cv2.fillPoly(mask, [np.round((shape + np.array([wide, 0])) * scale + 3).astype(np.int32)], 1)
    for x, z, r in ((0, tall * 0.55, 3.0), (-wide * 0.55, tall * 0.45, 2.6), (wide * 0.55, tall * 0.45, 2.6)):
        cv2.circle(mask, [round((x + wide) * scale) + 3, round(z * scale) + 3], round(r * scale), 0, -1)
    return mask


def _bridge_faces(b: Build, pale: Array, foot: float) -> list[Patch]:
    """The face towards the fingerboard and the one towards the tailpiece; thinner upwards."""
    mask, scale = _bridge_mask(), _BRIDGE_CELLS
    rows, cols = np.nonzero(mask)
    x, z = (cols - 3) / scale - _BRIDGE_WIDE, (rows - 3) / scale
    every_z, every_x = ((np.arange(size) - 3) / scale for size in mask.shape)
    wide_x, high_z = np.meshgrid(every_x - _BRIDGE_WIDE, every_z)
    thin, slim = (2.2 - 1.5 * np.clip(each / _BRIDGE_TALL, 0, 1) for each in (z, high_z))
    faces = []
    for side in (-1, 1):
        places = np.column_stack([x, b.bridge + side * thin, z + foot])
        normal, tone = np.tile([0.0, side, 0.05], (len(x), 1)), np.tile(pale, (len(x), 1))
        grid = np.stack([wide_x, b.bridge + side * slim, high_z + foot], -1)
        skin = Skin(grid, pale, FITTING, VARNISH, mask[:-1, :-1] > 0)
        faces.append(Patch(places, normal, tone, FITTING, VARNISH, skin))
    return faces


def tail(rng: np.random.Generator, b: Build) -> list[Patch]:
    """Tailpiece, its loop, saddle, end button, fine tuners."""
    low, high = 7.0, 7.0 + 108 * rng.uniform(0.92, 1.06)
    y = np.linspace(low, high, 20)
    share = (y - low) / (high - low)
    z = b.top + 5.0 + (b.arch + 15.0) * share
    half = 8.5 + 12.5 * share**1.6
    turn = np.linspace(0, np.pi, 13)
    grid = np.stack(
        np.broadcast_arrays(np.cos(turn) * half[:, None], y[:, None], z[:, None] + np.sin(turn) ** 0.8 * 6.5), -1
    )
    finish = Finish(b.fitting if rng.random() < 0.85 else b.board, FITTING, POLISH)
    parts = [sheet(grid, finish)]
    for end in (0, -1):
        parts.append(sheet(np.stack([grid[end], grid[end] * [1, 1, 0] + [0, 0, z[end]]]), finish))
    saddle = (-17, -0.4, b.top - b.edge * 0.9), (17, 7.5, b.top + 3.5)
    parts += block(*saddle, Finish(b.board, FITTING, POLISH))
    z_button = b.edge + b.ribs / 2
    out = rng.uniform(5, 11)
    button = [(0, 3, z_button), (0, -out * 0.4, z_button), (0, -out * 0.8, z_button), (0, -out, z_button)]
    parts.append(tube(button, (5.0, 5.2, 7.2, 5.0), Finish(b.fitting, FITTING, POLISH)))
    for side in (-1, 1):
        loop = [
            (side * 4.5, low + 3, z[0] + 2),
            (side * 4.5, 2, b.top + 4.5),
            (side * 4.5, -0.6, b.top + 3),
            (side * 3.6, -1, z_button + 3),
        ]
        parts.append(tube(loop, (1.0,) * 4, Finish(np.full(3, 0.03), FITTING, POLISH)))
    return parts + _fine_tuners(rng, high, float(z[-1]))


def _fine_tuners(rng: np.random.Generator, end: float, z: float) -> list[Patch]:
    """None, the highest string's or four, at the tailpiece's upper end: place along the axis and height there, mm."""
    steel = Finish(np.full(3, 0.55) * (1 if rng.random() < 0.7 else np.array([1, 0.8, 0.35])), FITTING, METAL)
    parts = []
    for k in ((), (1,), (0, 1, 2, 3))[rng.choice(3, p=[0.25, 0.35, 0.4])]:
        x = (k - 1.5) * 8.8
        parts.append(tube([(x, end - 14, z + 4), (x, end - 14, z + 15)], (1.3,) * 2, steel))
        parts.append(tube([(x, end - 14, z + 12), (x, end - 14, z + 15)], (3.2,) * 2, steel))
        parts += block((x - 1.7, end - 17, z + 5.5), (x + 1.7, end + 2, z + 8.5), steel)
    return parts


def strings(rng: np.random.Generator, b: Build) -> list[Patch]:
    """Four strings from the tailpiece over bridge and nut to their pegs; now and then none."""
    if rng.random() < 0.03:
        return []
    high = 7.0 + 104.0
    z_bridge, z_nut = b.top + b.arch * 0.97 + 32.7, float(board_height(b, b.nut)) + 1.0
    _, _, _, upper = head_line(b)
    parts = []
    for k, share in enumerate((0.2, 0.62, 0.84, 0.4)):
        side = k - 1.5
        drop = 42 - np.sqrt(42**2 - (side * 11.2) ** 2)
        y = b.nut + share * (upper - b.nut)
        path = [
            (side * 9, high, b.top + b.arch + 22),
            (side * 11.2, b.bridge, z_bridge - drop),
            (side * 5.4, b.nut + 2, z_nut),
            (side * 3.8, y, z_nut - 12 - 0.22 * (y - b.nut)),
        ]
        colour = np.full(3, rng.uniform(0.35, 0.7))
        parts.append(tube(path, (0.42 - 0.05 * k,) * 4, Finish(colour, FITTING, METAL)))
    return parts


def chin_rest(rng: np.random.Generator, b: Build) -> list[Patch]:
    """A dish beside the tailpiece or over it, its foot and clamp."""
    rim, centre = _chin_rest_rim(rng, b)
    z = b.top + rng.uniform(14, 24)
    shares = np.array([0.02, 0.2, 0.4, 0.6, 0.75, 0.88, 0.95, 1.0, 1.0, 0.8, 0.1])
    lifts = np.array([-6.5, -6.3, -5.6, -4.2, -2.8, -1.0, -0.2, 0.0, -4.0, -9.0, -12.0])
    grid = np.stack(
        [
            np.column_stack([centre + (rim - centre) * s, np.full(len(rim), z + h)])
            for s, h in zip(shares, lifts, strict=True)
        ]
    )
    colour = b.fitting if rng.random() < 0.75 else b.board
    finish = Finish(colour, CHIN_REST, POLISH if rng.random() < 0.8 else DULL)
    feet = (centre[0] * 0.45, centre[0] * 0.45 - 17)
    foot = (min(feet) - 6, -1.5, b.top + 0.5), (max(feet) + 6, 16, z - 4)
    parts = [sheet(grid, finish), *block(*foot, finish)]
    steel = Finish(np.full(3, 0.5), CHIN_REST, METAL)
    for x in feet:
        y = -4.0 + np.interp(-abs(x), [-60, 0], [3.5, 0])
        parts.append(tube([(x, y, -1.5), (x, y, b.top - 1)], (1.6,) * 2, steel))
        parts.append(tube([(x, y, b.edge + b.ribs * 0.25), (x, y, b.edge + b.ribs * 0.75)], (3.0,) * 2, steel))
    return parts


def _chin_rest_rim(rng: np.random.Generator, b: Build) -> tuple[Array, Array]:
    """The dish's rim (73, 2) and its middle (2,), mm, moved until it stands out beyond the body's edge as wanted."""
    a, c = 50 * rng.uniform(0.85, 1.12), 35 * rng.uniform(0.85, 1.15)
    middle = rng.random() < 0.2
    centre = (
        np.array([rng.uniform(-25, 0), rng.uniform(22, 32)])
        if middle
        else np.array([-52 + rng.uniform(-4, 6), 32 + rng.uniform(-4, 8)])
    )
    turn = np.linspace(0, 2 * np.pi, 73)
    rim = np.column_stack(
        [
            np.sign(np.cos(turn)) * np.abs(np.cos(turn)) ** 0.8 * a,
            np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** 0.8 * c,
        ]
    )
    lean = np.radians(rng.uniform(-26, -6) * (0.2 if middle else 1))
    rim = rim @ np.array([[np.cos(lean), np.sin(lean)], [-np.sin(lean), np.cos(lean)]]) + centre
    over = rng.uniform(-2, 7)  # how far it stands out beyond the edge
    contour = b.outline.astype(np.float32).reshape(-1, 1, 2)
    for _ in range(30):
        out = -min(cv2.pointPolygonTest(contour, (float(p[0]), float(p[1])), True) for p in rim[::4])
        if abs(out - over) < 0.5:
            break
        move = np.array([-0.75, -0.65]) * (over - out) * 0.6
        rim, centre = rim + move, centre + move
    return rim, centre


def shoulder_rest(rng: np.random.Generator, b: Build) -> list[Patch]:
    """A bar across the back with rubber hooks that grip the edges."""
    y = 0.24 * LENGTH
    right = b.outline[b.outline[:, 0] > 0]
    half = float(np.interp(y, *right[np.argsort(right[:, 1])].T[::-1]))
    x = np.linspace(-half * rng.uniform(0.9, 1.08), half * rng.uniform(0.9, 1.08), 20)
    z = -b.back_arch - 18 + 12 * (x / half + 0.4) ** 2
    lean = 12 * x / half
    ring = np.stack(
        [np.column_stack([x, y + lean + s * 15, z + t]) for s, t in ((-1, 0), (1, 0), (1, -11), (-1, -11))], axis=1
    )
    colour = np.full(3, 0.03) if rng.random() < 0.7 else rng.uniform(0.02, 0.4, 3)
    finish = Finish(colour, SHOULDER_REST, DULL)
    parts = [sheet(ring, finish, round_across=True)]
    for side in (-1, 1):
        for step in (-13, 13):
            at = y + lean[-1 if side > 0 else 0] + step
            edge = float(np.interp(at, *right[np.argsort(right[:, 1])].T[::-1]))
            path = [
                (side * half * 0.8, at, z[-1 if side > 0 else 0]),
                (side * (edge + 2.2), at, -1.5),
                (side * (edge + 2.6), at, b.edge + 2),
                (side * (edge - 2), at, b.edge + 4),
            ]
            parts.append(tube(path, (3.0,) * 4, finish))
    return parts
