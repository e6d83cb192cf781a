"""From a rough map of an instrument to exact edges: the outline is fitted to the map first, then to the photo itself.

The map (`vision.instrument.net`) knows what is body and what is floor, shadow, chin rest or bow, but only to a few
pixels.  The fitted outline carries that knowledge to full resolution: along its normals the photo's own edges are
looked for in a window that narrows with every round, and the fit in between throws out what no violin's outline passes
through.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array, Mask, Picture
from calibration.problems import Refused
from vision.instrument.cameras import Camera, FixedCamera
from vision.instrument.edge_net import read_edges
from vision.instrument.evidence import Edges, Setting, Tip, View, axis_direction
from vision.instrument.fit import RanAway, settle
from vision.instrument.model import (
    BODY_UNKNOWNS,
    LENGTH,
    TOTAL,
    TOTAL_TO_BODY,
    WIDTH,
    YAW,
    Pose,
    X,
    Y,
    outward_normals,
    pose_of,
)
from vision.instrument.profiles import expected_edges
from vision.instrument.resting import resting_heights_mm
from vision.instrument.seen import InstrumentSeen
from vision.instrument.shape import FULL_SIZE_MM, outline_prior
from vision.instrument.silhouette import silhouette
from vision.problems import OUTLINE_NOT_FOUND

_MAP_REACH_MM = (16.0, 8.0, 5.0)
"""How far on either side of the line the map's edge is looked for, round after round: wide for the first guess,
then narrower; our choice."""
_PHOTO_ROBUST = ((12.0, 1), (6.0, 1), (4.0, 8))
"""Residual, in sigmas, beyond which an edge hardly counts, and rounds at most, of the fits after the photo was read."""
_LEAST_BARE = 0.5
"""Probability of a bare edge from which it counts as bare."""
_LEAST_AGREEMENT = 0.5
"""Mean weight of the edges below which no violin's outline was found; our choice."""
_LEAST_WEIGHT = 0.05
"""Weight below which an edge is left out for good: one of something else, 1.9 times the last of `_PHOTO_ROBUST` off."""
_LEAST_FOUND = 0.25
"""Share of the outline's nodes with an edge in the map below which the map shows no violin; our choice."""
_FEWEST_EDGES = 60
"""Of 392 nodes: with fewer, the prior and not the photo would give the outline; our choice."""
_CHIN_REST_MARGIN_MM = 2.0
"""Nearer than that to the chin rest an edge may be the chin rest's own; the map is good to about that."""
_MAP_SIGMA_MM, _MAP_SIGMA_CELLS = 0.5, 0.3
"""Standard uncertainty of an edge in the map: of the network, and of its cells; our judgement, good enough for a
start."""
_SCROLL_SIGMA_CELLS = 1.5
"""Least standard uncertainty of the scroll's end in the map, in cells of the map; our judgement."""
_SCROLL_HALF_WIDTH_MM, _SCROLL_POWER = 5.0, 0.7
"""Half width of the strip about the axis in which the scroll's end is looked for, at full size, and how it grows with
the body: a third of a scroll's width, so that its curve is near a parabola; our choice."""
_SCROLL_READINGS = 13
"""Readings across that strip."""
_SCROLL_OUTLIER = 1.5
"""Readings further off the median than that many mm, and than that many median distances, belong to something else."""
_USUAL_HEIGHT_MM = 45.0
"""Height of the top edge from which the first guess starts; the next rounds take that of the size found."""
_EDGE_SIGMA_PX = 0.25
"""Standard uncertainty of one edge from noise and resampling; our judgement."""
_EDGE_SIGMA_MM = 0.12
"""Standard uncertainty of one edge beyond what the network says of itself; found, like the next, on rendered photos of
the network's own that it had not learned from."""
_NEIGHBOURS = 2.0
"""Root of the number of neighbouring nodes that err together (four, about 12 mm at full size)."""
_SCROLL_SIGMA_MM = 0.4
"""Standard uncertainty of the scroll's end where its edge is seen: it is rounded, and seldom lit evenly; our
judgement."""
_NECK_HALF_WIDTH, _END_HALF_WIDTH = 0.078, 0.062
"""Half width, over the body length, of what neck and tailpiece hide of the outline's two ends."""
_END_REACH = 0.1
"""How far from either end, over the body length, neck and tailpiece may hide the outline."""


@dataclass(frozen=True)
class TracedInstrument:
    """What a photo shows of an instrument: its edges, and the outline as it was fitted to find them.

    Attributes
    ----------
    start : (BODY_UNKNOWNS,) ndarray
        Unknowns of the outline as fitted while tracing.
    edges : Edges
        Edge crossings in the photo.
    scroll : Tip
        End of the scroll.
    covered : (C,) ndarray of bool
        Nodes of the outline that bound the body but over which something lies.
    px_per_mm : float
        Resolution at the instrument.
    """

    start: Array
    edges: Edges
    scroll: Tip
    covered: Mask
    px_per_mm: float


def trace(rgb: Picture, seen: InstrumentSeen, camera: Camera, setting: Setting) -> TracedInstrument:
    """Find an instrument's edges in a photo.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The photo.
    seen : InstrumentSeen
        The rough picture of the instrument in it.
    camera : Camera
        Of the photo; left as it is.
    setting : Setting
        Level of the table.

    Raises
    ------
    Refused
        If no outline of a violin fits what is seen.
    """
    try:
        return _trace(rgb, seen, FixedCamera(camera), setting)
    except RanAway as error:
        raise Refused(OUTLINE_NOT_FOUND) from error


def _trace(rgb: Picture, seen: InstrumentSeen, camera: Camera, setting: Setting) -> TracedInstrument:
    start = first_guess(seen, camera, setting)
    px_per_mm = resolution_px_per_mm(start, camera, setting)
    usable = usable_nodes()
    for reach_mm in _MAP_REACH_MM:
        pose = pose_of(start, setting.table_mm)
        edges = map_edges(seen, pose, camera, reach_mm * px_per_mm, px_per_mm)
        start, _ = settle(start, [View(camera, edges, (scroll_in_map(seen, pose, camera),))], setting)
    pose = pose_of(start, setting.table_mm)
    scroll = _scroll_in_photo(rgb, scroll_in_map(seen, pose, camera), start[LENGTH], px_per_mm)
    edges, covered = _photo_edges(rgb, seen, pose, camera, usable, px_per_mm)
    _refuse_few(edges)
    for robust, rounds in _PHOTO_ROBUST:
        start, weight = settle(start, [View(camera, edges, (scroll,))], setting, robust, rounds)
    if weight.mean() < _LEAST_AGREEMENT:
        raise Refused(OUTLINE_NOT_FOUND)
    edges = edges.where(weight > _LEAST_WEIGHT)
    _refuse_few(edges)
    return TracedInstrument(start, edges, scroll, covered, px_per_mm)


def _refuse_few(edges: Edges) -> None:
    """Refuse an outline of which too little is seen."""
    if len(edges.node) < _FEWEST_EDGES:
        raise Refused(OUTLINE_NOT_FOUND)


def first_guess(seen: InstrumentSeen, camera: Camera, setting: Setting) -> Array:
    """Unknowns from the map's scroll end and lower end, on the plane of the top edge."""
    start = np.zeros(BODY_UNKNOWNS)
    ends_px = np.array(seen.ends_px())
    height_mm = _USUAL_HEIGHT_MM
    for _ in range(3):
        lower, scroll = camera.to_plane(ends_px, setting.table_mm + height_mm)[:, :2]
        total_mm = float(np.linalg.norm(scroll - lower))
        height_mm = float(resting_heights_mm(total_mm / TOTAL_TO_BODY)[0])
    start[[X, Y]] = lower
    start[YAW] = np.arctan2(scroll[1] - lower[1], scroll[0] - lower[0]) - np.pi / 2
    start[LENGTH], start[TOTAL], start[WIDTH] = total_mm / TOTAL_TO_BODY, total_mm, 1.0
    return start


def resolution_px_per_mm(unknowns: Array, camera: Camera, setting: Setting) -> float:
    """Photo resolution at the body's middle, px per mm."""
    pose = pose_of(unknowns, setting.table_mm)
    middle = pose.at(0.0, 0.5 * unknowns[LENGTH], 0.0)
    near = camera.project(np.array([middle, middle + 10 * pose.across, middle + 10 * pose.along]))
    return float(np.linalg.norm(near[1:] - near[0], axis=1).mean() / 10)


def usable_nodes() -> Mask:
    """Nodes of the closed outline where the bare edge can be seen: not at corners, neck and tailpiece."""
    prior = outline_prior()
    outline = prior.closed(np.zeros(len(prior.modes)), 1.0)
    neck = (outline[:, 1] > 1.0 - _END_REACH) & (np.abs(outline[:, 0]) < _NECK_HALF_WIDTH)
    tail = (outline[:, 1] < _END_REACH) & (np.abs(outline[:, 0]) < _END_HALF_WIDTH)
    usable: Mask = ~(_corners() | neck | tail)
    return usable


def _corners() -> Mask:
    """Nodes of the closed outline at the corner tips."""
    half = outline_prior().at_corner
    return np.concatenate([half, half[-2:0:-1]])


def map_edges(seen: InstrumentSeen, pose: Pose, camera: Camera, reach_px: float, px_per_mm: float) -> Edges:
    """Edges of the top plate in the map, which knows them even where neck or chin rest lie over them.

    Parameters
    ----------
    seen : InstrumentSeen
    pose : Pose
        Where the instrument is thought to lie.
    camera : Camera
    reach_px : float
        How far from the pose's outline an edge is looked for, px of the photo.
    px_per_mm : float
        Resolution of the photo at the instrument.

    Returns
    -------
    Edges

    Raises
    ------
    Refused
        If too little of the outline is there.
    """
    line = camera.project(pose.top)
    nodes = np.flatnonzero(~_corners())
    normal = -outward_normals(line)[nodes]
    found, good = seen.crossings(seen.body, line[nodes], normal, reach_px)
    if good.sum() < _LEAST_FOUND * len(good):
        raise Refused(OUTLINE_NOT_FOUND)
    point = line[nodes] + found[:, None] * normal
    sigma = np.full(good.sum(), _MAP_SIGMA_MM * px_per_mm + _MAP_SIGMA_CELLS * seen.map_px)
    return Edges(np.zeros(good.sum(), dtype=bool), nodes[good], point[good], normal[good], sigma)


def _photo_edges(
    rgb: Picture, seen: InstrumentSeen, pose: Pose, camera: Camera, usable: Mask, px_per_mm: float
) -> tuple[Edges, Mask]:
    """Edges of both plates in the photo, where they bound the body and are bare; and where they are not bare."""
    lines = camera.project(pose.top), camera.project(pose.back)
    visible = silhouette(pose, camera, usable)
    asked = np.zeros((2, len(usable)), dtype=bool)
    asked[visible.back.astype(int), visible.node] = True
    # the image turns the outline's sense round (y down), so the outward normal is on the other hand
    normals = -outward_normals(lines[0]), -outward_normals(lines[1])
    readings = read_edges(rgb, lines, normals, (asked[0], asked[1]), px_per_mm)
    row = visible.back.astype(int), visible.node
    offset, sigma, bare = (
        np.stack([getattr(each, name) for each in readings])[row] for name in ("offset_mm", "sigma_mm", "seen")
    )
    good = (bare > _LEAST_BARE) & ~seen.near_chin_rest(visible.point_px, _CHIN_REST_MARGIN_MM * px_per_mm)
    point = visible.point_px + offset[:, None] * px_per_mm * visible.normal_px
    sigma_px = _NEIGHBOURS * np.hypot(np.hypot(sigma, _EDGE_SIGMA_MM) * px_per_mm, _EDGE_SIGMA_PX)
    covered = np.zeros(len(usable), dtype=bool)
    covered[visible.node] = bare <= _LEAST_BARE
    return Edges(visible.back, visible.node, point, visible.normal_px, sigma_px).where(good), covered


def scroll_in_map(seen: InstrumentSeen, pose: Pose, camera: Camera) -> Tip:
    """End of the scroll as the network sees it."""
    direction = axis_direction(camera, pose.scroll_top, pose.along)
    sigma_px = max(seen.sigma_px.get("scroll_top", 0.0), _SCROLL_SIGMA_CELLS * seen.map_px)
    return Tip("scroll_top", seen.scroll_end_px(), direction, sigma_px)


def _scroll_in_photo(rgb: Picture, rough: Tip, body_mm: float, px_per_mm: float) -> Tip:
    """End of the scroll to a fraction of a millimetre: the furthest of a parabola through edges beside the axis."""
    half_width_px = _SCROLL_HALF_WIDTH_MM * (body_mm / FULL_SIZE_MM) ** _SCROLL_POWER * px_per_mm
    side = np.array([-rough.direction_px[1], rough.direction_px[0]])
    beside_px = np.linspace(-half_width_px, half_width_px, _SCROLL_READINGS)
    points = rough.point_px + beside_px[:, None] * side
    directions = np.repeat(rough.direction_px[None], len(points), axis=0)
    offset = expected_edges(rgb, points, directions, max(rough.sigma_px, 1.0 * px_per_mm))
    middle = np.median(offset)
    usual = max(px_per_mm, float(np.median(np.abs(offset - middle))))
    keep = np.abs(offset - middle) < _SCROLL_OUTLIER * usual
    curve = np.polyfit(beside_px[keep], offset[keep], 2)
    fitted = np.polyval(curve, beside_px[keep])
    scatter = float(np.std(offset[keep] - fitted))
    sigma = float(np.hypot(_SCROLL_SIGMA_MM * px_per_mm, scatter))
    return Tip("scroll_top", rough.point_px + fitted.max() * rough.direction_px, rough.direction_px, sigma)
