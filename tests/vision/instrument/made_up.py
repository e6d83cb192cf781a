"""A made-up instrument before made-up cameras: what a perfect edge finder would give."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tests.vision.trace import AssumedCamera
from vision.instrument.cameras import Camera, FixedCamera
from vision.instrument.evidence import Edges, Tip, View
from vision.instrument.model import (
    BODY_UNKNOWNS,
    DEPTH,
    LENGTH,
    LOW,
    NECK,
    ROLL,
    SCROLL,
    SHAPE,
    TOTAL,
    WIDTH,
    YAW,
    X,
    Y,
    outward_normals,
    pose_of,
)
from vision.instrument.rounding import seen_of_edge, seen_of_scroll
from vision.instrument.shape import outline_prior
from vision.instrument.silhouette import silhouette

PLACES = {"X": X, "Y": Y, "YAW": YAW, "LENGTH": LENGTH, "TOTAL": TOTAL, "WIDTH": WIDTH, "DEPTH": DEPTH, "ROLL": ROLL}
PLACES |= {"LOW": LOW, "NECK": NECK, "SCROLL": SCROLL}
EVERY_NODE = np.ones(2 * len(outline_prior().mean) - 2, dtype=bool)


class KnownCamera(AssumedCamera):
    """A camera whose unknowns are known as well as a sheet tells them."""

    @property
    def covariance_root(self) -> Array:
        """Of a third and a fifth of a degree, not independent, and of half a per cent (3, 3)."""
        return np.linalg.cholesky(np.array([[0.09, 0.02, 0.0], [0.02, 0.04, 0.0], [0.0, 0.0, 0.08]])) * np.radians(1.0)


def camera(tilt_deg: tuple[float, float] = (0.0, 0.0), centre_px: tuple[float, float] = (1100.0, 800.0)) -> KnownCamera:
    """A camera one metre above the table."""
    return KnownCamera(1600.0, 1000.0, 0.25, np.array(centre_px), np.array([*np.radians(tilt_deg), 0.0]))


def assumed(camera: AssumedCamera) -> AssumedCamera:
    """The same lens straight above the table, as of a picture without a sheet."""
    return AssumedCamera(camera.usual_px, camera.usual_mm, camera.lens_spread, camera.centre_px, np.zeros(3))


def instrument(**changes: float) -> Array:
    """Unknowns of an instrument of 300 mm that is no average one."""
    unknowns = np.zeros(BODY_UNKNOWNS)
    unknowns[[X, Y, YAW, LENGTH, TOTAL, WIDTH]] = 20.0, -200.0, 0.1, 300.0, 500.0, 1.01
    unknowns[SHAPE.start : SHAPE.start + 4] = 0.7, -0.5, 0.4, -0.6
    for name, value in changes.items():
        unknowns[PLACES[name]] = value
    return unknowns


def corners() -> Array:
    """Nodes of the closed outline at the corner tips (C,)."""
    half = outline_prior().at_corner
    return np.concatenate([half, half[-2:0:-1]])


def view_of(
    unknowns: Array,
    view: Camera,
    rng: np.random.Generator | None = None,
    noise_px: float = 0.0,
    table_mm: float = 0.0,
    fixed: bool = True,
) -> View:
    """What a perfect edge finder would give for the true unknowns; the camera as one that has nothing to set."""
    pose = pose_of(unknowns, table_mm)
    line = silhouette(pose, view, EVERY_NODE & ~corners())
    noise = rng.normal(0.0, noise_px, len(line.node)) if rng is not None else np.zeros(len(line.node))
    flat = outward_normals(unknowns[LENGTH] * outline_prior().closed(unknowns[SHAPE], unknowns[WIDTH]))[line.node]
    outward = flat[:, :1] * pose.across + flat[:, 1:] * pose.along
    places = np.where(line.back[:, None], pose.back[line.node], pose.top[line.node])
    seen = places + seen_of_edge(places, outward, pose.up, view.position_mm, unknowns[LENGTH])
    point = view.project(seen) + noise[:, None] * line.normal_px
    edges = Edges(line.back, line.node, point, line.normal_px, np.full(len(line.node), max(noise_px, 0.1)))
    rounding, _ = seen_of_scroll(pose.scroll_top, pose.along, pose.up, view.position_mm, unknowns[LENGTH])
    ends = view.project(np.array([pose.scroll_top + rounding, pose.body_bottom]))
    direction = (ends[0] - ends[1]) / np.linalg.norm(ends[0] - ends[1])
    return View(FixedCamera(view) if fixed else view, edges, (Tip("scroll_top", ends[0], direction, 0.2),))
