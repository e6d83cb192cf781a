"""The wood of a random violin: its measures and colours, plates, ribs, neck and head.

The frame is that of `vision.training.violin`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array, Mask
from vision.instrument.shape import FULL_SIZE_MM, MODES, outline_prior
from vision.training.pieces import DULL, FITTING, POLISH, VARNISH, VARNISHED, Finish, Patch, Skin, ball, block, sheet

LENGTH = FULL_SIZE_MM
"""Of every instrument's body, mm."""
_PLASTIC = 0.08
"""Share of instruments of plastic."""
_GRID_MM = 0.4
"""Step of the grid that the top is made of."""
_VARNISHES = ((0.62, 0.36, 0.10), (0.52, 0.24, 0.055), (0.42, 0.17, 0.04), (0.32, 0.105, 0.03), (0.22, 0.065, 0.025))
_VARNISHES += ((0.13, 0.045, 0.02), (0.48, 0.20, 0.03), (0.45, 0.07, 0.02), (0.60, 0.12, 0.03), (0.70, 0.50, 0.22))


@dataclass(frozen=True)
class Build:
    """Measures of one instrument, mm, and its colours."""

    outline: Array
    ribs: float
    edge: float
    overhang: float
    arch: float
    back_arch: float
    total: float
    head: float
    varnish: Array
    fitting: Array
    board: Array
    plastic: bool

    @property
    def top(self) -> float:
        """Height of the top's upper edge."""
        return 2 * self.edge + self.ribs

    @property
    def nut(self) -> float:
        """Place of the nut along the axis."""
        return LENGTH + 130.0 * (self.total - LENGTH) / 238.5

    @property
    def bridge(self) -> float:
        """Place of the bridge along the axis."""
        return LENGTH - 195.0


def random_build(rng: np.random.Generator) -> Build:
    """Draw the measures and colours of an instrument."""
    prior = outline_prior()
    nodes = LENGTH * prior.closed(rng.standard_normal(MODES) * 1.1, float(np.exp(rng.normal(0, 0.035))))
    stout = rng.uniform(1.0, 1.3)  # of small instruments
    varnish = (
        np.array(_VARNISHES[rng.integers(len(_VARNISHES))]) * rng.uniform(0.7, 1.25) * np.exp(rng.normal(0, 0.08, 3))
    )
    plastic = bool(rng.random() < _PLASTIC)
    if plastic:
        varnish = (
            rng.uniform(0.02, 0.6, 3) if rng.random() < 0.5 else np.array([0.2, 0.08, 0.05]) * rng.uniform(0.5, 1.5)
        )
    black = np.array([0.014, 0.012, 0.011]) * rng.uniform(0.7, 3.0)
    brown = np.array([(0.10, 0.035, 0.015), (0.2, 0.09, 0.04), (0.45, 0.28, 0.12)][rng.integers(3)])
    fitting = black if rng.random() < 0.65 else brown * rng.uniform(0.6, 1.4)
    if plastic and rng.random() < 0.6:
        fitting = varnish
    return Build(
        outline=_resampled(nodes, 0.5),
        ribs=30.0 * stout**0.6 * np.exp(rng.normal(0, 0.04)),
        edge=3.8 * stout,
        overhang=rng.uniform(2.0, 3.2),
        arch=rng.uniform(9.0, 13.5),
        back_arch=rng.uniform(9.0, 13.0),
        total=LENGTH * rng.uniform(1.60, 1.73),
        head=stout * np.exp(rng.normal(0, 0.07)),
        varnish=np.clip(varnish, 0.008, 0.85),
        fitting=fitting,
        board=black if rng.random() < 0.9 else fitting,
        plastic=plastic,
    )


def _resampled(closed: Array, step: float) -> Array:
    ring = np.vstack([closed, closed[:1]])
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    at = np.linspace(0, way[-1], int(way[-1] / step), endpoint=False)
    return np.column_stack([np.interp(at, way, ring[:, 0]), np.interp(at, way, ring[:, 1])])


def noise(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[float, float]) -> Array:
    """Smooth noise of unit spread with about `cells` bumps down and across."""
    size = (max(int(cells[1]) + 3, 4), max(int(cells[0]) + 3, 4))
    coarse = rng.standard_normal((size[1], size[0])).astype(np.float32)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC) * 1.3, float)


def plates(rng: np.random.Generator, b: Build) -> list[Patch]:
    """The arched top with its f-holes, and the rim of the back."""
    low = b.outline.min(0) - 2
    size = np.ceil((np.ptp(b.outline, axis=0) + 4) / _GRID_MM).astype(int)
    inside = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(inside, [np.round((b.outline - low) / _GRID_MM * 16).astype(np.int32)], 1, shift=4)
    far = cv2.distanceTransform(inside, cv2.DIST_L2, 5).astype(float) * _GRID_MM
    x, y = np.meshgrid(low[0] + np.arange(size[0]) * _GRID_MM, low[1] + np.arange(size[1]) * _GRID_MM)
    height = _arched(b, x, y, far)
    slope_y, slope_x = np.gradient(cv2.GaussianBlur(height, (0, 0), 1.5), _GRID_MM)
    normal = np.stack([-slope_x, -slope_y, np.ones_like(x)], -1)
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    colour, hole = _top_colours(rng, b, x, y, far)
    on = inside > 0
    places = np.stack([x, y, height], -1)
    inner = far > 0.25 * b.edge  # what is nearer to the edge is the wall's
    skin = Skin(places, colour, VARNISHED, VARNISH, inner[:-1, :-1] & inner[1:, :-1] & inner[:-1, 1:] & inner[1:, 1:])
    top = Patch(places[on & ~hole], normal[on & ~hole], colour[on & ~hole], VARNISHED, VARNISH, skin)
    dark = Patch(places[on & hole] - [0, 0, 3.0], normal[on & hole], colour[on & hole], VARNISHED, DULL)
    rim = on & (far < 9)
    back = np.stack([x, y, np.zeros_like(x)], -1)[rim]
    return [top, dark, Patch(back, np.tile([0.0, 0, -1], (len(back), 1)), colour[rim] * 0.8, VARNISHED, VARNISH)]


def _arched(b: Build, x: Array, y: Array, far: Array) -> Array:
    """Height of the top: a rounded edge, a shallow channel, an arch that follows the body's width."""
    along = np.array([0, 0.03, 0.09, 0.2, 0.32, 0.42, 0.53, 0.62, 0.7, 0.81, 0.9, 0.965, 1])
    widths = np.array([0.02, 0.52, 0.82, 1.0, 0.93, 0.70, 0.535, 0.60, 0.73, 0.81, 0.74, 0.5, 0.02])
    wide = np.maximum(np.interp(y / LENGTH, along, widths) * b.outline[:, 0].max(), 1.0)
    across = 0.5 * (1 + np.cos(np.pi * np.clip(np.abs(x) / wide, 0, 1)))
    rise = np.clip((far - 3) / 15, 0, 1)
    half = b.edge / 2
    edge = half * (1 - np.sqrt(np.clip(1 - np.clip(1 - far / half, 0, 1) ** 2, 0, 1)))
    channel = 0.5 * np.exp(-(((far - 4.5) / 2.2) ** 2))
    height: Array = b.top + b.arch * lengthwise(y / LENGTH) * across * rise**2 * (3 - 2 * rise) - edge - channel
    return height


def lengthwise(along: Array) -> Array:
    """How the arch rises and falls along the body, 0..1."""
    return np.asarray(np.clip(1 - np.abs(2 * along - 1) ** 3.2, 0, 1) ** 0.85)


def _top_colours(rng: np.random.Generator, b: Build, x: Array, y: Array, far: Array) -> tuple[Array, Mask]:
    """Reflectance (h, w, 3) of the top, and where the f-holes are."""
    shape = x.shape
    if b.plastic:
        colour = np.broadcast_to(b.varnish, (*shape, 3)).copy()
    else:
        rings = np.cumsum(rng.uniform(0.6, 1.6, 400))
        grain = np.sin(
            2 * np.pi * (np.interp(x - x.min(), rings - rings[0], np.arange(400)) + 0.2 * noise(rng, shape, (6, 3)))
        )
        tone = 0.12 * grain * rng.uniform(0, 1.5) + 0.1 * noise(rng, shape, (4, 60)) + 0.14 * noise(rng, shape, (5, 3))
        colour = b.varnish * np.exp(-0.8 * tone)[..., None]
        colour *= np.exp(-rng.uniform(0, 0.7) * np.exp(-far / rng.uniform(8, 40)))[..., None]  # darker to the edge
        if rng.random() < 0.4:  # worn or shaded
            colour = colour * np.exp(0.45 * rng.random() * noise(rng, shape, (4, 3)))[..., None]
        if rng.random() < 0.3:  # sunburst: pale middle
            pale = np.exp(-(((far - 60) / rng.uniform(20, 45)) ** 2))[..., None]
            colour = colour * (1 - 0.6 * pale) + np.array([0.6, 0.36, 0.12]) * 0.6 * pale
        if rng.random() < 0.85:
            for low, high, ink in ((3.4, 3.8, 0.03), (3.8, 4.5, 0.42), (4.5, 4.9, 0.03)):
                line = (far > low) & (far < high)
                colour[line] = colour[line] * 0.35 + 0.65 * ink * np.array([1, 0.8, 0.55])
        if rng.random() < 0.3:
            colour[far < rng.uniform(0.8, 2.0)] *= rng.uniform(0.6, 2.2)  # worn edge
    hole = np.zeros(shape, np.uint8)
    stem = _bend([(23, 33), (20.5, 45), (33.5, 49), (34, 22)]), _bend([(34, 22), (35, 0), (35.5, -2), (36.5, -18)])
    stem = (*stem, _bend([(36.5, -18), (37.5, -46), (50, -43), (47, -30)]))
    path = np.vstack(stem)
    wide = 1.0 + 2.4 * np.exp(-(((np.linspace(0, 1, len(path)) - 0.5) / 0.22) ** 2))
    spots = [*zip(path, wide, strict=True), (np.array([23.6, 32]), 3.1), (np.array([46, -29]), 4.2)]
    for side in (-1, 1):
        for (px, py), radius in spots:
            centre = (np.array([side * px * 0.98, b.bridge + py]) - [x[0, 0], y[0, 0]]) / _GRID_MM
            cv2.circle(hole, [int(v) for v in np.round(centre * 16)], int(radius / _GRID_MM * 16), 1, -1, shift=4)
    opening = hole > 0
    colour[opening] = 0.012
    return colour, opening


def _bend(points: Sequence[tuple[float, float]]) -> Array:
    """Forty places on a cubic Bezier curve."""
    p = np.array(points, float)
    t = np.linspace(0, 1, 40)[:, None]
    curve: Array = (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
    return curve


def walls(rng: np.random.Generator, b: Build) -> list[Patch]:
    """Ribs, and the rounded sides of the plates' edges."""
    normal = _outward(b.outline)

    def wall(inset: Array, heights: Array, colour: Array) -> Patch:
        grid = np.stack(
            [
                np.column_stack([b.outline - d * normal, np.full(len(b.outline), z)])
                for d, z in zip(inset, heights, strict=True)
            ]
        )
        return sheet(grid, Finish(colour, VARNISHED, VARNISH), round_across=True)

    turn = np.linspace(-np.pi / 2, np.pi / 2, 7)
    bulge, lift = b.edge / 2 * (1 - np.cos(turn)), b.edge / 2 * np.sin(turn)
    worn = b.varnish * rng.uniform(0.7, 1.2)
    ribs = wall(np.full(3, b.overhang), np.array([b.edge * 0.6, b.edge + b.ribs / 2, b.edge * 1.4 + b.ribs]), b.varnish)
    flame = 1 + (0 if b.plastic else 0.22) * np.sin(np.linspace(0, rng.uniform(200, 500), len(ribs.places)))[:, None]
    ribs = Patch(ribs.places, ribs.normals, ribs.colours * flame, VARNISHED, VARNISH, ribs.skin)
    return [ribs, wall(bulge, b.edge / 2 + lift, worn), wall(bulge, b.top - b.edge / 2 + lift, worn)]


def _outward(closed: Array) -> Array:
    tangent = np.roll(closed, -2, axis=0) - np.roll(closed, 2, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    unit: Array = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    return unit


def board_height(b: Build, y: Array | float) -> Array:
    """Height of the fingerboard's ridge at y."""
    at_edge = b.top + 16.0
    at_bridge = b.top + b.arch + 27.5
    return np.asarray(at_edge + (at_bridge - at_edge) * (LENGTH - np.asarray(y, float)) / 195.0)


def _half_board(b: Build, y: Array | float) -> Array:
    end = LENGTH - 140.0
    return np.asarray(b.head**0.4 * (12.0 + 9.0 * (b.nut - np.asarray(y, float)) / (b.nut - end)))


def neck(rng: np.random.Generator, b: Build) -> list[Patch]:
    """Fingerboard, neck with its heel and button, nut."""
    y = np.linspace(b.nut, LENGTH - 140.0 * rng.uniform(0.97, 1.03), 24)
    aside = np.linspace(-1, 1, 15)
    half, ridge = _half_board(b, y), board_height(b, y)
    x = half[:, None] * aside
    z = ridge[:, None] - (42 - np.sqrt(42**2 - np.minimum(x**2, 900)))
    top = np.stack(np.broadcast_arrays(x, y[:, None], z), -1)
    board = Finish(b.board, FITTING, POLISH)
    parts = [sheet(top, board)]
    for side in (0, -1):
        wall = np.stack([top[:, side], top[:, side] - [0, 0, 5.0]], axis=1)
        parts.append(sheet(wall, board))
    end = np.stack([top[-1], top[-1] - [0, 0, 5.0]])
    parts.append(sheet(end, board))
    turn = np.linspace(0, np.pi, 13)
    ys = np.concatenate([np.linspace(b.nut, LENGTH + 34, 8), np.linspace(LENGTH + 33, LENGTH - 4, 10)])
    deep = np.interp(ys, [LENGTH, LENGTH + 12, LENGTH + 34, b.nut], [1.0, 1.0, 0.0, 0.0])
    under = board_height(b, ys) - 8.0
    depth = 13.5 + (under - 13.5) * deep**1.3
    ring = np.stack(
        np.broadcast_arrays(
            np.cos(turn) * (_half_board(b, ys) * (0.97 - 0.1 * deep))[:, None],
            ys[:, None],
            under[:, None] - np.sin(turn) ** 0.7 * depth[:, None],
        ),
        -1,
    )
    tone = b.varnish if rng.random() < 0.5 else b.varnish * 0.4 + np.array([0.5, 0.33, 0.16]) * 0.6
    parts.append(sheet(ring, Finish(tone, VARNISHED, VARNISH)))
    ivory = b.board if rng.random() < 0.85 else np.array([0.7, 0.65, 0.5])
    z_nut = float(board_height(b, b.nut))
    w = float(_half_board(b, b.nut))
    parts += block((-w, b.nut, z_nut - 7), (w, b.nut + 5.5, z_nut + 0.8), Finish(ivory, FITTING, POLISH))
    button = np.linspace(0, np.pi, 12)
    disc = np.stack(
        [
            np.column_stack([k * 10.5 * np.cos(button), LENGTH - 2 + k * 13 * np.sin(button), np.zeros(12) + 2])
            for k in (0.02, 1.0)
        ]
    )
    return [*parts, sheet(disc, Finish(b.varnish, VARNISHED, VARNISH))]


def head_line(b: Build) -> tuple[float, float, float, float]:
    """Radius of the scroll, its eye (y, z), and the upper end of the peg box."""
    radius = 22.5 * b.head**0.7
    eye = b.total - radius
    z_eye = float(board_height(b, b.nut)) - 14.0 - 0.26 * (eye - b.nut)
    return radius, eye, z_eye, eye - 0.6 * radius


def cheek(b: Build, y: Array | float) -> Array:
    """Half width of the peg box at y."""
    _, eye, _, _ = head_line(b)
    low = float(_half_board(b, b.nut)) * 1.03
    return np.asarray(np.interp(np.asarray(y, float), [b.nut, eye], [low, 7.6 * b.head**0.8]))


def head(rng: np.random.Generator, b: Build) -> list[Patch]:
    """Peg box and scroll."""
    tone = b.varnish * rng.uniform(0.6, 1.2)
    return [*_peg_box(b, tone), *_scroll(rng, b, Finish(tone, VARNISHED, VARNISH))]


def _peg_box(b: Build, tone: Array) -> list[Patch]:
    """Two cheeks, the dark bed between them, and the block on which the scroll stands."""
    radius, eye, z_eye, upper = head_line(b)
    wood = Finish(tone, VARNISHED, VARNISH)
    z_nut = float(board_height(b, b.nut))
    y = np.linspace(b.nut + 0.2, upper, 16)
    rim = z_nut - 4.0 - 0.22 * (y - b.nut)
    floor_ = np.interp(y, [b.nut, eye], [z_nut - 18.5, z_eye - radius * 0.93]) - 2.0
    parts = []
    for side in (-1, 1):
        outer, inner = side * cheek(b, y), side * np.maximum(cheek(b, y) - 4.3 * b.head, 1.2)
        section = (inner, floor_), (inner, rim), (outer, rim), (outer, floor_)
        parts.append(sheet(np.stack([np.column_stack([a, y, c]) for a, c in section], axis=1), wood))
    bed = np.stack([np.column_stack([s * cheek(b, y) * 0.95, y, floor_ + 5.0]) for s in (-1, 1)], axis=1)
    parts.append(sheet(bed, Finish(tone * 0.35, VARNISHED, DULL)))
    wide = float(cheek(b, eye))
    return parts + block((-wide, upper - 2, z_eye - radius * 0.9), (wide, eye, z_eye + radius * 0.45), wood)


def _scroll(rng: np.random.Generator, b: Build, wood: Finish) -> list[Patch]:
    """The volute, which grows wider as it winds in, and its eye."""
    radius, eye, z_eye, _ = head_line(b)
    turn = np.linspace(0, 2 * np.pi * 2.35, 130)
    share = turn / turn[-1]
    reach = radius * np.exp(-1.62 * np.clip((turn - np.pi / 2) / turn[-1], 0, None))
    half = b.head * (6.6 + 14.5 * share**1.25) * rng.uniform(0.85, 1.1)
    corner = ((1.0, -0.95), (0.97, 0.0), (1.0, 0.95), (0.93, 1.0), (0.25, 1.0), (0.25, -1.0), (0.93, -1.0))
    ring = np.stack(
        [
            np.column_stack([w * half, eye + r * reach * np.sin(turn), z_eye - r * reach * np.cos(turn)])
            for r, w in corner
        ],
        axis=1,
    )
    radii = half[-1] + 1.6 * b.head, 4.6 * b.head, 4.6 * b.head
    return [sheet(ring, wood, round_across=True), ball((0, eye, z_eye), radii, 0.0, wood)]
