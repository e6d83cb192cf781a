"""Where the outline of a person turns from the neck into the shoulder.

The body model gives, beside its landmarks, the probability that a pixel belongs to the person.  Outside that outline,
above the shoulder and beside the neck, lies a wedge of background; its tip is the side of the neck where nothing covers
it, and lies further out where hair, a collar or a hood fills the wedge.  The tip is the point of the outline that lies
furthest against the wedge's own direction, which bisects neck and shoulder slope.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array
from vision.person.pose import Landmark, Person

SHOULDER_SLOPE_DEG = 22.0
"""Of the shoulder below the line of the shoulder landmarks; our choice, the tip moves little with it."""
TORSO_TO_SHOULDERS = 0.55
"""Least distance of the shoulders over the trunk's length that is believed: people turned aside show less of it, and a
picture scaled by it would show their neck alone; adults from the front have 0.6 to 0.7 (photographs of people)."""
TIP_SHARE = 0.012
"""Points this near to the furthest one, over the shoulders' distance, are averaged as the tip: the map is coarse."""
_CELLS = 160
_OUT, _UP = (0.05, 0.6), (-0.1, 0.75)
"""Where the tip is looked for, from the middle of the shoulders, over their distance: our choice."""
_PROBE = 0.03
"""How far into the wedge there must be background, over the shoulders' distance."""


def shoulder_span_px(person: Person) -> float:
    """Distance of the shoulders, px, and no less than the trunk's length makes likely."""
    apart = person.point("shoulder", "left") - person.point("shoulder", "right")
    return max(float(np.linalg.norm(apart)), TORSO_TO_SHOULDERS * person.torso_px)


def side_axes(person: Person, side: str) -> tuple[Array, Array]:
    """Unit vectors (2,) of a side: from neck to shoulder, and across it, to the head."""
    shoulders = [person.point("shoulder", each) for each in ("left", "right")]
    head = _unit(person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]].mean(axis=0) - 0.5 * sum(shoulders))
    out = _unit(shoulders[0] - shoulders[1]) * (1 if side == "left" else -1)
    out = _unit(out - 0.5 * (out @ head) * head)  # half of a slant is the trunk's own
    up = np.array([-out[1], out[0]])
    return out, up if up @ head > 0 else -up


def silhouette_corner(person: Person, width_px: int, side: str) -> Array | None:
    """The point (2,) px where the outline of neck and shoulder meet; None where the outline has none.

    Parameters
    ----------
    person : Person
        With its mask; without one there is no outline.
    width_px : int
        Width of the picture.
    side : str
        ``"left"`` or ``"right"``, the person's own.
    """
    if person.mask is None:
        return None
    span, middle = (
        shoulder_span_px(person),
        0.5 * (person.point("shoulder", "left") + person.point("shoulder", "right")),
    )
    (out, up), cell = side_axes(person, side), 1.6 * span / _CELLS
    head = _unit(person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]].mean(axis=0) - middle)
    slope = np.radians(SHOULDER_SLOPE_DEG)
    into = _unit(head + np.cos(slope) * out - np.sin(slope) * up)
    x, y = np.meshgrid(
        np.arange(-20, _CELLS) * cell, np.arange(round(-0.3 * span / cell), round(1.0 * span / cell)) * cell
    )
    grid = middle + x[..., None] * out + y[..., None] * up
    lines, _ = cv2.findContours(
        (_mask_at(person, grid, width_px) > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not lines:
        return None
    columns, rows = max(lines, key=cv2.contourArea)[:, 0].T
    rim = (columns < 2) | (columns > grid.shape[1] - 3) | (rows < 2) | (rows > grid.shape[0] - 3)
    line = grid[rows, columns][~rim]
    outwards, upwards = (line - middle) @ out / span, (line - middle) @ up / span
    inside = (outwards > _OUT[0]) & (outwards < _OUT[1]) & (upwards > _UP[0]) & (upwards < _UP[1])
    line = line[inside]
    if not len(line):
        # the outline runs elsewhere altogether, and the mask cannot be asked at no place
        return None
    line = line[_mask_at(person, line + _PROBE * span * into, width_px) < 0.5]
    if len(line) < 3:
        return None
    depth = -line @ into
    return np.asarray(line[depth > depth.max() - TIP_SHARE * span].mean(axis=0))


def _mask_at(person: Person, places_px: Array, width_px: int) -> Array:
    """The mask at places (..., 2) px of the picture."""
    assert person.mask is not None
    reduced = ((places_px + 0.5) * (person.mask.shape[1] / width_px) - 0.5).astype(np.float32)
    flat = reduced.reshape(1, -1, 2)
    values = [
        cv2.remap(person.mask, part[..., 0], part[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        for part in np.array_split(flat, flat.shape[1] // 30000 + 1, axis=1)
    ]
    return np.concatenate(values, axis=1).reshape(places_px.shape[:-1]).astype(np.float64)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))
