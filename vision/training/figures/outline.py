"""Where the outline of a bare body turns from the neck into the shoulder, as a camera sees it.

Readers of photographs mark the side of the neck on the outline; from the front that is the vertex of ISO 8559-1's point
that `vision.training.figures.bodies` names.  On a trunk turned by 30 degrees that vertex lies 2 % of the way from neck
to palm further in than the outline, and as much higher, on the side that comes forward.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array
from vision.training.figures.bodies import VERTICES, Kinds
from vision.training.figures.posing import Posed, unit
from vision.training.figures.trace import View

SLOPE_DEG = 58.5
"""Of the outline there, below the trunk's horizontal: half-way between neck (80) and shoulder (37)."""
BUST = ("neck", "spine", "clavicle", "shoulder", "upperarm01", "pelvis", "root")
"""Bones whose skin makes that outline: not the head's, whose chin may lie before it."""
FINER = 4
"""Cells of the map in which the outline is drawn, a pixel."""
LEAST_OUT = 0.25
"""How far out of the neck's middle the outline counts, over the neck's width: further in its upper end lies."""
NEARER = 0.15
"""Points of the outline this near to the deepest one are averaged, px."""


def neck_corner(kinds: Kinds, posed: Posed, view: View, side: str, reach_px: float) -> Array | None:
    """The point (2,) px of the outline at which it has half the slope of neck and shoulder.

    Parameters
    ----------
    kinds, posed : Kinds, Posed
        The body.
    view : View
        The camera.
    side : str
        ``"L"`` or ``"R"``.
    reach_px : float
        How far from the vertex of the front it is looked for.

    Returns
    -------
    ndarray or None
        None where the outline has no such place near there.
    """
    px = view.project(posed.points)
    at = px[VERTICES[f"side_neck.{side}"]]
    middle = 0.5 * (posed.points[VERTICES["side_neck.L"]] + posed.points[VERTICES["side_neck.R"]])
    upwards = posed.turns[kinds.number("spine01")] @ np.array([0, 0.05, 0])
    low, high = view.project(np.array([middle, middle + upwards]))
    up = unit(high - low)
    out = np.array([-up[1], up[0]])
    if out @ (view.project(posed.joints[[kinds.number(f"upperarm01.{side}")]])[0] - low) < 0:
        out = -out
    slope = np.radians(SLOPE_DEG)
    into = np.sin(slope) * out + np.cos(slope) * up
    origin, size = at - reach_px - 2, round(2 * (reach_px + 2) * FINER)
    bare = kinds.faces[(kinds.share(*BUST) > 0.5)[kinds.faces].all(1)]
    triangles = (px[bare] - origin) * FINER
    mask = np.zeros((size, size), np.uint8)
    for triangle in np.round(triangles[((triangles > 0) & (triangles < size)).all(2).any(1)]).astype(np.int32):
        cv2.fillConvexPoly(mask, triangle, 1)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not lines:
        return None
    line = max(lines, key=cv2.contourArea)[:, 0].astype(float)
    line = line[((line > 3) & (line < size - 4)).all(1)]
    columns, rows = np.round(line + 1.5 * FINER * into).astype(int).T.clip(0, size - 1)
    line = line[mask[rows, columns] == 0] / FINER + origin
    wide = float(np.linalg.norm(posed.points[VERTICES["side_neck.L"]] - posed.points[VERTICES["side_neck.R"]]))
    wide *= view.focal / float((middle - view.place) @ view.turn[2])
    line = line[(np.hypot(*(line - at).T) < reach_px) & ((line - low) @ out > LEAST_OUT * wide)]
    if len(line) < 3:
        return None
    depth = line @ into
    inner = float(np.hypot(*(line[depth.argmin()] - at)))
    if inner > reach_px - 2:  # the outline only leaves the window there
        return None
    return np.asarray(line[depth < depth.min() + NEARER].mean(axis=0))
