"""Violins by the thousand: random instruments as clouds of small flat pieces, each with place, normal, colour and part.

Frame, mm: x to the treble side, y along the axis from the lower end of the body to the scroll, z up through the top;
z = 0 at the underside of the back's edge.  Every instrument is drawn at a full size's body length, because a picture
shows proportions only; small instruments come out as stouter ones.  Proportions are those that makers' handbooks give
for violins, from memory, varied more widely than real ones; outlines come from `vision.instrument.shape`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Floats, Mask
from vision.instrument.shape import FULL_SIZE_MM, MODES, outline_prior

STEP_MM = 0.36
"""Distance of neighbouring pieces."""
VARNISHED, FITTING, CHIN_REST, SHOULDER_REST = range(4)
DULL, VARNISH, POLISH, METAL = range(4)
"""How a piece shines."""
_PLASTIC = 0.08
_GRID_MM = 0.4
_LENGTH = FULL_SIZE_MM
_VARNISHES = ((0.62, 0.36, 0.10), (0.52, 0.24, 0.055), (0.42, 0.17, 0.04), (0.32, 0.105, 0.03), (0.22, 0.065, 0.025))
_VARNISHES += ((0.13, 0.045, 0.02), (0.48, 0.20, 0.03), (0.45, 0.07, 0.02), (0.60, 0.12, 0.03), (0.70, 0.50, 0.22))


@dataclass(frozen=True)
class Cloud:
    """An instrument as flat pieces.

    Attributes
    ----------
    places : (N, 3) float32 ndarray
        mm.
    normals : (N, 3) float16 ndarray
        Of either sense.
    colours : (N, 3) uint8 ndarray
        Reflectance, 255 for all of the light.
    parts, shines : (N,) uint8 ndarray
        ``VARNISHED`` to ``SHOULDER_REST``; ``DULL`` to ``METAL``.
    outline : (C, 3) ndarray
        The outermost line of the top's edge.
    points : dict of str to (3,) ndarray
        By the names of `vision.instrument.net.POINTS`.
    floor_mm : float
        How high the table stands, lying on its back.
    """

    places: Floats
    normals: NDArray[np.float16]
    colours: NDArray[np.uint8]
    parts: NDArray[np.uint8]
    shines: NDArray[np.uint8]
    outline: Array
    points: dict[str, Array]
    floor_mm: float


@dataclass(frozen=True)
class Skin:
    """A bent sheet: places (n, m, 3) with straight lines between them, in one colour (3,) or one for each (n, m, 3)."""

    grid: Array
    colours: Array
    part: int
    shine: int
    kept: Mask | None = None
    """The meshes (n - 1, m - 1) that are there; None for all."""


@dataclass(frozen=True)
class Solid:
    """The same instrument as a `Cloud` in sheets whose edges are exact: for pictures that lengths are measured in.

    Attributes
    ----------
    skins : tuple of Skin
        Without a shoulder rest.
    outline : (C, 3) ndarray
        The outermost line of the top's edge; straight pieces of 0.5 mm, at most 0.003 mm inside the curve.
    points : dict of str to (3,) ndarray
        As a cloud's.
    underside : (N, 3) ndarray
        Places of the back's arch along the axis, on which it lies.
    edge_mm, ribs_mm : float
        Thickness of the plates' edge, height of the ribs.
    """

    skins: tuple[Skin, ...]
    outline: Array
    points: dict[str, Array]
    underside: Array
    edge_mm: float
    ribs_mm: float


@dataclass(frozen=True)
class _Patch:
    places: Array
    normals: Array
    colours: Array
    part: int
    shine: int
    skin: Skin | None = None


@dataclass(frozen=True)
class _Build:
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
        return _LENGTH + 130.0 * (self.total - _LENGTH) / 238.5

    @property
    def bridge(self) -> float:
        """Place of the bridge along the axis."""
        return _LENGTH - 195.0


def noise(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[float, float]) -> Array:
    """Smooth noise of unit spread with about `cells` bumps down and across."""
    size = (max(int(cells[1]) + 3, 4), max(int(cells[0]) + 3, 4))
    coarse = rng.standard_normal((size[1], size[0])).astype(np.float32)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC) * 1.3, float)


def random_violin(seed: int) -> Cloud:
    """Draw an instrument.

    Parameters
    ----------
    seed : int
        The same seed gives the same instrument.
    """
    build, patches = _drawn(seed)
    counts = [len(each.places) for each in patches]
    return Cloud(
        np.concatenate([each.places for each in patches]).astype(np.float32),
        np.concatenate([each.normals for each in patches]).astype(np.float16),
        np.round(255 * np.clip(np.concatenate([each.colours for each in patches]), 0.004, 0.95)).astype(np.uint8),
        np.repeat([each.part for each in patches], counts).astype(np.uint8),
        np.repeat([each.shine for each in patches], counts).astype(np.uint8),
        np.column_stack([build.outline, np.full(len(build.outline), build.top - build.edge / 2)]),
        _points(build),
        -build.back_arch,
    )


def random_solid(seed: int) -> Solid:
    """Draw the same instrument as `random_violin`, in sheets and with nothing mounted under it."""
    build, patches = _drawn(seed)
    along = np.linspace(0, 1, 200)
    arch = -build.back_arch * _lengthwise(along)
    return Solid(
        tuple(patch.skin for patch in patches if patch.skin is not None and patch.part != SHOULDER_REST),
        np.column_stack([build.outline, np.full(len(build.outline), build.top - build.edge / 2)]),
        _points(build),
        np.column_stack([np.zeros(200), _LENGTH * along, arch]),
        build.edge,
        build.ribs,
    )


def _drawn(seed: int) -> tuple[_Build, list[_Patch]]:
    rng = np.random.default_rng(seed)
    build = _random_build(rng)
    patches = [*_plates(rng, build), *_walls(rng, build), *_neck(rng, build), *_head(rng, build), *_pegs(rng, build)]
    patches += [*_bridge(build), *_tail(rng, build), *_strings(rng, build)]
    if rng.random() < 0.75:
        patches += _chin_rest(rng, build)
    if rng.random() < 0.16:
        patches += _shoulder_rest(rng, build)
    return build, patches


def _random_build(rng: np.random.Generator) -> _Build:
    prior = outline_prior()
    nodes = _LENGTH * prior.closed(rng.standard_normal(MODES) * 1.1, float(np.exp(rng.normal(0, 0.035))))
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
    return _Build(
        outline=_resampled(nodes, 0.5),
        ribs=30.0 * stout**0.6 * np.exp(rng.normal(0, 0.04)),
        edge=3.8 * stout,
        overhang=rng.uniform(2.0, 3.2),
        arch=rng.uniform(9.0, 13.5),
        back_arch=rng.uniform(9.0, 13.0),
        total=_LENGTH * rng.uniform(1.60, 1.73),
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


def _outward(closed: Array) -> Array:
    tangent = np.roll(closed, -2, axis=0) - np.roll(closed, 2, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    unit: Array = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    return unit


def _sheet(
    grid: Array, colour: Array, part: int, shine: int, round_down: bool = False, round_across: bool = False
) -> _Patch:
    """Pieces on a bent sheet given by a grid of places (n, m, 3); closed where said."""
    if round_down:
        grid = np.concatenate([grid, grid[:1]])
    if round_across:
        grid = np.concatenate([grid, grid[:, :1]], axis=1)
    down = np.linalg.norm(np.diff(grid, axis=0), axis=2).mean(axis=1).sum()
    across = np.linalg.norm(np.diff(grid, axis=1), axis=2).sum(axis=1).max()
    n, m = max(int(down / STEP_MM) + 1, 2), max(int(across / STEP_MM) + 1, 2)
    rows, cols = np.linspace(0, len(grid) - 1, n), np.linspace(0, grid.shape[1] - 1, m)
    fine = _between(_between(grid, rows).transpose(1, 0, 2), cols).transpose(1, 0, 2)
    normal = np.cross(_slope(fine, 0), _slope(fine, 1))
    normal /= np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-9)
    places = fine.reshape(-1, 3)
    colours = np.broadcast_to(np.asarray(colour), fine.shape).reshape(-1, 3)
    return _Patch(places, normal.reshape(-1, 3), colours, part, shine, Skin(grid, np.asarray(colour), part, shine))


def _between(grid: Array, at: Array) -> Array:
    low = np.clip(at.astype(int), 0, len(grid) - 2)
    share = (at - low)[:, None, None]
    mixed: Array = grid[low] * (1 - share) + grid[low + 1] * share
    return mixed


def _slope(grid: Array, axis: int) -> Array:
    return np.asarray(np.gradient(grid, axis=axis))


def _tube(path: Sequence[Sequence[float]], radii: Sequence[float], colour: Array, part: int, shine: int) -> _Patch:
    """A round rod along a path, with flat ends."""
    line, sizes = np.asarray(path, float), np.asarray(radii, float)
    line = np.concatenate([line[:1], line, line[-1:]])
    sizes = np.concatenate([[0.01], np.broadcast_to(sizes, len(line) - 2), [0.01]])
    way = np.gradient(line[1:-1], axis=0) if len(line) > 4 else np.repeat(line[-1:] - line[:1], len(line) - 2, axis=0)
    way = np.concatenate([way[:1], way, way[-1:]])
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    aside = np.cross(way, [0.0, 0, 1] if abs(way[0, 2]) < 0.9 else [1.0, 0, 0])
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    above = np.cross(way, aside)
    turn = np.linspace(0, 2 * np.pi, 14)
    ring = np.cos(turn)[None, :, None] * aside[:, None] + np.sin(turn)[None, :, None] * above[:, None]
    return _sheet(line[:, None] + sizes[:, None, None] * ring, colour, part, shine)


def _block(low: Sequence[float], high: Sequence[float], colour: Array, part: int, shine: int) -> list[_Patch]:
    """The six sides of a box."""
    a, b = np.asarray(low, float), np.asarray(high, float)
    sides = []
    for axis in range(3):
        u, v = [k for k in range(3) if k != axis]
        for place in (a[axis], b[axis]):
            grid = np.zeros((2, 2, 3))
            grid[..., axis] = place
            grid[..., u] = np.array([[a[u], a[u]], [b[u], b[u]]])
            grid[..., v] = np.array([[a[v], b[v]], [a[v], b[v]]])
            sides.append(_sheet(grid, colour, part, shine))
    return sides


def _ball(centre: Sequence[float], radii: Sequence[float], turn: float, colour: Array, part: int, shine: int) -> _Patch:
    """An ellipsoid turned about the x axis."""
    polar, round_ = np.linspace(0.02, np.pi - 0.02, 20)[:, None], np.linspace(0, 2 * np.pi, 28)[None]
    grid = np.stack(
        np.broadcast_arrays(np.cos(polar), np.sin(polar) * np.cos(round_), np.sin(polar) * np.sin(round_)), -1
    )
    grid = np.sign(grid) * np.abs(grid) ** 0.85 * np.asarray(radii)
    c, s = np.cos(turn), np.sin(turn)
    return _sheet(grid @ np.array([[1, 0, 0], [0, c, s], [0, -s, c]]) + np.asarray(centre), colour, part, shine)


def _plates(rng: np.random.Generator, b: _Build) -> list[_Patch]:
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
    top = _Patch(places[on & ~hole], normal[on & ~hole], colour[on & ~hole], VARNISHED, VARNISH, skin)
    dark = _Patch(places[on & hole] - [0, 0, 3.0], normal[on & hole], colour[on & hole], VARNISHED, DULL)
    rim = on & (far < 9)
    back = np.stack([x, y, np.zeros_like(x)], -1)[rim]
    return [top, dark, _Patch(back, np.tile([0.0, 0, -1], (len(back), 1)), colour[rim] * 0.8, VARNISHED, VARNISH)]


def _arched(b: _Build, x: Array, y: Array, far: Array) -> Array:
    """Height of the top: a rounded edge, a shallow channel, an arch that follows the body's width."""
    along = np.array([0, 0.03, 0.09, 0.2, 0.32, 0.42, 0.53, 0.62, 0.7, 0.81, 0.9, 0.965, 1])
    widths = np.array([0.02, 0.52, 0.82, 1.0, 0.93, 0.70, 0.535, 0.60, 0.73, 0.81, 0.74, 0.5, 0.02])
    wide = np.maximum(np.interp(y / _LENGTH, along, widths) * b.outline[:, 0].max(), 1.0)
    across = 0.5 * (1 + np.cos(np.pi * np.clip(np.abs(x) / wide, 0, 1)))
    lengthwise = _lengthwise(y / _LENGTH)
    rise = np.clip((far - 3) / 15, 0, 1)
    half = b.edge / 2
    edge = half * (1 - np.sqrt(np.clip(1 - np.clip(1 - far / half, 0, 1) ** 2, 0, 1)))
    channel = 0.5 * np.exp(-(((far - 4.5) / 2.2) ** 2))
    height: Array = b.top + b.arch * lengthwise * across * rise**2 * (3 - 2 * rise) - edge - channel
    return height


def _lengthwise(along: Array) -> Array:
    """How the arch rises and falls along the body, 0..1."""
    return np.asarray(np.clip(1 - np.abs(2 * along - 1) ** 3.2, 0, 1) ** 0.85)


def _top_colours(rng: np.random.Generator, b: _Build, x: Array, y: Array, far: Array) -> tuple[Array, Mask]:
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


def _walls(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    """Ribs, and the rounded sides of the plates' edges."""
    normal = _outward(b.outline)

    def wall(inset: Array, heights: Array, colour: Array) -> _Patch:
        grid = np.stack(
            [
                np.column_stack([b.outline - d * normal, np.full(len(b.outline), z)])
                for d, z in zip(inset, heights, strict=True)
            ]
        )
        return _sheet(grid, colour, VARNISHED, VARNISH, round_across=True)

    turn = np.linspace(-np.pi / 2, np.pi / 2, 7)
    bulge, lift = b.edge / 2 * (1 - np.cos(turn)), b.edge / 2 * np.sin(turn)
    worn = b.varnish * rng.uniform(0.7, 1.2)
    ribs = wall(np.full(3, b.overhang), np.array([b.edge * 0.6, b.edge + b.ribs / 2, b.edge * 1.4 + b.ribs]), b.varnish)
    flame = 1 + (0 if b.plastic else 0.22) * np.sin(np.linspace(0, rng.uniform(200, 500), len(ribs.places)))[:, None]
    ribs = _Patch(ribs.places, ribs.normals, ribs.colours * flame, VARNISHED, VARNISH, ribs.skin)
    return [ribs, wall(bulge, b.edge / 2 + lift, worn), wall(bulge, b.top - b.edge / 2 + lift, worn)]


def _board_height(b: _Build, y: Array | float) -> Array:
    """Height of the fingerboard's ridge at y."""
    at_edge = b.top + 16.0
    at_bridge = b.top + b.arch + 27.5
    return np.asarray(at_edge + (at_bridge - at_edge) * (_LENGTH - np.asarray(y, float)) / 195.0)


def _half_board(b: _Build, y: Array | float) -> Array:
    end = _LENGTH - 140.0
    return np.asarray(b.head**0.4 * (12.0 + 9.0 * (b.nut - np.asarray(y, float)) / (b.nut - end)))


def _neck(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    """Fingerboard, neck with its heel and button, nut."""
    y = np.linspace(b.nut, _LENGTH - 140.0 * rng.uniform(0.97, 1.03), 24)
    aside = np.linspace(-1, 1, 15)
    half, ridge = _half_board(b, y), _board_height(b, y)
    x = half[:, None] * aside
    z = ridge[:, None] - (42 - np.sqrt(42**2 - np.minimum(x**2, 900)))
    top = np.stack(np.broadcast_arrays(x, y[:, None], z), -1)
    parts = [_sheet(top, b.board, FITTING, POLISH)]
    for side in (0, -1):
        wall = np.stack([top[:, side], top[:, side] - [0, 0, 5.0]], axis=1)
        parts.append(_sheet(wall, b.board, FITTING, POLISH))
    end = np.stack([top[-1], top[-1] - [0, 0, 5.0]])
    parts.append(_sheet(end, b.board, FITTING, POLISH))
    turn = np.linspace(0, np.pi, 13)
    ys = np.concatenate([np.linspace(b.nut, _LENGTH + 34, 8), np.linspace(_LENGTH + 33, _LENGTH - 4, 10)])
    deep = np.interp(ys, [_LENGTH, _LENGTH + 12, _LENGTH + 34, b.nut], [1.0, 1.0, 0.0, 0.0])
    under = _board_height(b, ys) - 8.0
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
    parts.append(_sheet(ring, tone, VARNISHED, VARNISH))
    ivory = b.board if rng.random() < 0.85 else np.array([0.7, 0.65, 0.5])
    z_nut = float(_board_height(b, b.nut))
    w = float(_half_board(b, b.nut))
    parts += _block((-w, b.nut, z_nut - 7), (w, b.nut + 5.5, z_nut + 0.8), ivory, FITTING, POLISH)
    button = np.linspace(0, np.pi, 12)
    disc = np.stack(
        [
            np.column_stack([k * 10.5 * np.cos(button), _LENGTH - 2 + k * 13 * np.sin(button), np.zeros(12) + 2])
            for k in (0.02, 1.0)
        ]
    )
    return [*parts, _sheet(disc, b.varnish, VARNISHED, VARNISH)]


def _head_line(b: _Build) -> tuple[float, float, float, float]:
    """Radius of the scroll, its eye (y, z), and the upper end of the peg box."""
    radius = 22.5 * b.head**0.7
    eye = b.total - radius
    z_eye = float(_board_height(b, b.nut)) - 14.0 - 0.26 * (eye - b.nut)
    return radius, eye, z_eye, eye - 0.6 * radius


def _cheek(b: _Build, y: Array | float) -> Array:
    """Half width of the peg box at y."""
    _, eye, _, _ = _head_line(b)
    low = float(_half_board(b, b.nut)) * 1.03
    return np.asarray(np.interp(np.asarray(y, float), [b.nut, eye], [low, 7.6 * b.head**0.8]))


def _head(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    """Peg box and scroll."""
    radius, eye, z_eye, upper = _head_line(b)
    z_nut = float(_board_height(b, b.nut))
    y = np.linspace(b.nut + 0.2, upper, 16)
    rim = z_nut - 4.0 - 0.22 * (y - b.nut)
    floor_ = np.interp(y, [b.nut, eye], [z_nut - 18.5, z_eye - radius * 0.93]) - 2.0
    tone = b.varnish * rng.uniform(0.6, 1.2)
    parts = []
    for side in (-1, 1):
        outer, inner = side * _cheek(b, y), side * np.maximum(_cheek(b, y) - 4.3 * b.head, 1.2)
        ring = np.stack(
            [np.column_stack([a, y, c]) for a, c in ((inner, floor_), (inner, rim), (outer, rim), (outer, floor_))],
            axis=1,
        )
        parts.append(_sheet(ring, tone, VARNISHED, VARNISH))
    bed = np.stack([np.column_stack([s * _cheek(b, y) * 0.95, y, floor_ + 5.0]) for s in (-1, 1)], axis=1)
    parts.append(_sheet(bed, tone * 0.35, VARNISHED, DULL))
    wide = float(_cheek(b, eye))
    parts += _block(
        (-wide, upper - 2, z_eye - radius * 0.9), (wide, eye, z_eye + radius * 0.45), tone, VARNISHED, VARNISH
    )
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
    parts.append(_sheet(ring, tone, VARNISHED, VARNISH, round_across=True))
    parts.append(
        _ball((0, eye, z_eye), (half[-1] + 1.6 * b.head, 4.6 * b.head, 4.6 * b.head), 0.0, tone, VARNISHED, VARNISH)
    )
    return parts


def _pegs(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    _, _, _, upper = _head_line(b)
    size = b.head**0.9 * rng.uniform(0.85, 1.2)
    colour = b.fitting if rng.random() < 0.8 else b.fitting * 0.3 + rng.uniform(0.02, 0.5, 3) * 0.7
    z_nut = float(_board_height(b, b.nut))
    parts = []
    for share, side in ((0.20, -1), (0.40, 1), (0.62, -1), (0.84, 1)):
        y = b.nut + share * (upper - b.nut)
        z = z_nut - 12.0 - 0.22 * (y - b.nut)
        out = float(side * _cheek(b, y))
        reach = 17 * size * rng.uniform(0.85, 1.25)
        lean = rng.normal(0, 0.04) * reach
        parts.append(
            _tube(
                [(-out - side * 2.5, y, z), (out + side * reach * 0.5, y, z), (out + side * reach * 0.85, y + lean, z)],
                (2.6 * size, 3.4 * size, 2.7 * size),
                colour,
                FITTING,
                POLISH,
            )
        )
        parts.append(
            _tube(
                [(out + side * reach * 0.42, y, z), (out + side * reach * 0.56, y, z)],
                (4.3 * size,) * 2,
                colour,
                FITTING,
                POLISH,
            )
        )
        centre = (out + side * (reach * 0.75 + 9.0 * size), y + lean, z)
        parts.append(
            _ball(centre, (10.5 * size, 10.0 * size, 3.4 * size), rng.uniform(-1.5, 1.5), colour, FITTING, POLISH)
        )
    return parts


def _bridge(b: _Build) -> list[_Patch]:
    """The bridge's two faces, with its openings, and its upper edge."""
    pale = np.array([0.55, 0.36, 0.17]) * (0.8 if not b.plastic else 1.2)
    foot = b.top + b.arch * 0.97
    tall, wide = 32.5, 20.5
    half = [
        (4, 6),
        (8, 4.5),
        (12.5, 3),
        (13.5, 0),
        (wide, 0),
        (wide, 2.2),
        (wide * 0.83, 8),
        (wide * 0.93, 14),
        (wide * 0.8, 20),
        (wide * 0.84, 25),
    ]
    crown = [(x, tall - (42 - np.sqrt(42**2 - x**2))) for x in np.linspace(wide * 0.84, -wide * 0.84, 13)]
    shape = np.array([(0, 7), *half, *crown, *[(-x, z) for x, z in half[::-1]]], float)
    scale = 1 / 0.3
    mask = np.zeros((int(tall * scale) + 8, int(2 * wide * scale) + 8), np.uint8)
    cv2.fillPoly(mask, [np.round((shape + np.array([wide, 0])) * scale + 3).astype(np.int32)], 1)
    for x, z, r in ((0, tall * 0.55, 3.0), (-wide * 0.55, tall * 0.45, 2.6), (wide * 0.55, tall * 0.45, 2.6)):
        cv2.circle(mask, [round((x + wide) * scale) + 3, round(z * scale) + 3], round(r * scale), 0, -1)
    rows, cols = np.nonzero(mask)
    x, z = (cols - 3) / scale - wide, (rows - 3) / scale
    thin = 2.2 - 1.5 * np.clip(z / tall, 0, 1)
    parts = []
    every_z, every_x = ((np.arange(size) - 3) / scale for size in mask.shape)
    wide_x, high_z = np.meshgrid(every_x - wide, every_z)
    slim = 2.2 - 1.5 * np.clip(high_z / tall, 0, 1)
    for side in (-1, 1):
        places = np.column_stack([x, b.bridge + side * thin, z + foot])
        normal, tone = np.tile([0.0, side, 0.05], (len(x), 1)), np.tile(pale, (len(x), 1))
        grid = np.stack([wide_x, b.bridge + side * slim, high_z + foot], -1)
        skin = Skin(grid, pale, FITTING, VARNISH, mask[:-1, :-1] > 0)
        parts.append(_Patch(places, normal, tone, FITTING, VARNISH, skin))
    ridge = np.array([(p, q) for p, q in crown])
    top = np.stack(
        [np.column_stack([ridge[:, 0], np.full(13, b.bridge + s * 0.7), ridge[:, 1] + foot]) for s in (-1, 1)]
    )
    feet = [
        _block(
            (s * 8 - 5 if s < 0 else 13.5, b.bridge - 2.2, foot - 1),
            (-13.5 if s < 0 else 20.5, b.bridge + 2.2, foot + 2),
            pale,
            FITTING,
            VARNISH,
        )
        for s in (1,)
    ]
    return [*parts, _sheet(top, pale, FITTING, VARNISH), *feet[0]]


def _tail(rng: np.random.Generator, b: _Build) -> list[_Patch]:
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
    colour = b.fitting if rng.random() < 0.85 else b.board
    parts = [_sheet(grid, colour, FITTING, POLISH)]
    for end in (0, -1):
        parts.append(_sheet(np.stack([grid[end], grid[end] * [1, 1, 0] + [0, 0, z[end]]]), colour, FITTING, POLISH))
    parts += _block((-17, -0.4, b.top - b.edge * 0.9), (17, 7.5, b.top + 3.5), b.board, FITTING, POLISH)
    z_button = b.edge + b.ribs / 2
    out = rng.uniform(5, 11)
    parts.append(
        _tube(
            [(0, 3, z_button), (0, -out * 0.4, z_button), (0, -out * 0.8, z_button), (0, -out, z_button)],
            (5.0, 5.2, 7.2, 5.0),
            b.fitting,
            FITTING,
            POLISH,
        )
    )
    for side in (-1, 1):
        path = [
            (side * 4.5, low + 3, z[0] + 2),
            (side * 4.5, 2, b.top + 4.5),
            (side * 4.5, -0.6, b.top + 3),
            (side * 3.6, -1, z_button + 3),
        ]
        parts.append(_tube(path, (1.0,) * 4, np.full(3, 0.03), FITTING, POLISH))
    steel = np.full(3, 0.55) * (1 if rng.random() < 0.7 else np.array([1, 0.8, 0.35]))
    for k in ((), (1,), (0, 1, 2, 3))[rng.choice(3, p=[0.25, 0.35, 0.4])]:
        x = (k - 1.5) * 8.8
        parts.append(_tube([(x, high - 14, z[-1] + 4), (x, high - 14, z[-1] + 15)], (1.3,) * 2, steel, FITTING, METAL))
        parts.append(_tube([(x, high - 14, z[-1] + 12), (x, high - 14, z[-1] + 15)], (3.2,) * 2, steel, FITTING, METAL))
        parts += _block((x - 1.7, high - 17, z[-1] + 5.5), (x + 1.7, high + 2, z[-1] + 8.5), steel, FITTING, METAL)
    return parts


def _strings(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    if rng.random() < 0.03:
        return []
    high = 7.0 + 104.0
    z_bridge, z_nut = b.top + b.arch * 0.97 + 32.7, float(_board_height(b, b.nut)) + 1.0
    _, _, _, upper = _head_line(b)
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
        parts.append(_tube(path, (0.42 - 0.05 * k,) * 4, colour, FITTING, METAL))
    return parts


def _chin_rest(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    """A dish beside the tailpiece or over it, its foot and clamp."""
    a, c = 50 * rng.uniform(0.85, 1.12), 35 * rng.uniform(0.85, 1.15)
    middle = rng.random() < 0.2
    centre = (
        np.array([rng.uniform(-25, 0), rng.uniform(22, 32)])
        if middle
        else np.array([-52 + rng.uniform(-4, 6), 32 + rng.uniform(-4, 8)])
    )
    turn = np.linspace(0, 2 * np.pi, 73)
    round_ = np.column_stack(
        [
            np.sign(np.cos(turn)) * np.abs(np.cos(turn)) ** 0.8 * a,
            np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** 0.8 * c,
        ]
    )
    lean = np.radians(rng.uniform(-26, -6) * (0.2 if middle else 1))
    round_ = round_ @ np.array([[np.cos(lean), np.sin(lean)], [-np.sin(lean), np.cos(lean)]]) + centre
    over = rng.uniform(-2, 7)  # how far it stands out beyond the edge
    contour = b.outline.astype(np.float32).reshape(-1, 1, 2)
    for _ in range(30):
        out = -min(cv2.pointPolygonTest(contour, (float(p[0]), float(p[1])), True) for p in round_[::4])
        if abs(out - over) < 0.5:
            break
        move = np.array([-0.75, -0.65]) * (over - out) * 0.6
        round_, centre = round_ + move, centre + move
    z = b.top + rng.uniform(14, 24)
    shares = np.array([0.02, 0.2, 0.4, 0.6, 0.75, 0.88, 0.95, 1.0, 1.0, 0.8, 0.1])
    lifts = np.array([-6.5, -6.3, -5.6, -4.2, -2.8, -1.0, -0.2, 0.0, -4.0, -9.0, -12.0])
    grid = np.stack(
        [
            np.column_stack([centre + (round_ - centre) * s, np.full(73, z + h)])
            for s, h in zip(shares, lifts, strict=True)
        ]
    )
    colour = b.fitting if rng.random() < 0.75 else b.board
    shine = POLISH if rng.random() < 0.8 else DULL
    parts = [_sheet(grid, colour, CHIN_REST, shine)]
    feet = (centre[0] * 0.45, centre[0] * 0.45 - 17)
    parts += _block((min(feet) - 6, -1.5, b.top + 0.5), (max(feet) + 6, 16, z - 4), colour, CHIN_REST, shine)
    steel = np.full(3, 0.5)
    for x in feet:
        y = -4.0 + np.interp(-abs(x), [-60, 0], [3.5, 0])
        parts.append(_tube([(x, y, -1.5), (x, y, b.top - 1)], (1.6,) * 2, steel, CHIN_REST, METAL))
        parts.append(
            _tube([(x, y, b.edge + b.ribs * 0.25), (x, y, b.edge + b.ribs * 0.75)], (3.0,) * 2, steel, CHIN_REST, METAL)
        )
    return parts


def _shoulder_rest(rng: np.random.Generator, b: _Build) -> list[_Patch]:
    """A bar across the back with rubber hooks that grip the edges."""
    y = 0.24 * _LENGTH
    right = b.outline[b.outline[:, 0] > 0]
    half = float(np.interp(y, *right[np.argsort(right[:, 1])].T[::-1]))
    x = np.linspace(-half * rng.uniform(0.9, 1.08), half * rng.uniform(0.9, 1.08), 20)
    z = -b.back_arch - 18 + 12 * (x / half + 0.4) ** 2
    lean = 12 * x / half
    ring = np.stack(
        [np.column_stack([x, y + lean + s * 15, z + t]) for s, t in ((-1, 0), (1, 0), (1, -11), (-1, -11))], axis=1
    )
    colour = np.full(3, 0.03) if rng.random() < 0.7 else rng.uniform(0.02, 0.4, 3)
    parts = [_sheet(ring, colour, SHOULDER_REST, DULL, round_across=True)]
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
            parts.append(_tube(path, (3.0,) * 4, colour, SHOULDER_REST, DULL))
    return parts


def _points(b: _Build) -> dict[str, Array]:
    """The marked points, mm."""
    radius, eye, z_eye, _ = _head_line(b)
    z = b.top - b.edge / 2
    right = b.outline[b.outline[:, 0] > 0]

    def bout(low: float, high: float, narrowest: bool) -> Array:
        part = right[(right[:, 1] > low * _LENGTH) & (right[:, 1] < high * _LENGTH)]
        return np.asarray(part[part[:, 0].argmin() if narrowest else part[:, 0].argmax()])

    points = {
        "scroll_top": np.array([0, eye + radius, z_eye]),
        "body_top_center": np.array([0, _LENGTH, z]),
        "body_bottom_center": np.array([0, 0, z]),
        "nut_center": np.array([0, b.nut, float(_board_height(b, b.nut)) + 0.8]),
        "bridge_center": np.array([0, b.bridge, b.top + b.arch * 0.97 + 32.5]),
    }
    for name, place in (
        ("upper_bout", bout(0.70, 0.95, False)),
        ("waist", bout(0.44, 0.62, True)),
        ("lower_bout", bout(0.05, 0.35, False)),
    ):
        points[f"{name}_left"] = np.array([-place[0], place[1], z])
        points[f"{name}_right"] = np.array([place[0], place[1], z])
    return points
