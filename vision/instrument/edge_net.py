"""The exact edge of a plate, learned: strips of the photo along the outline in, offsets of the edge out.

A strip is the photo unrolled along one line of the predicted outline: one row for every node, one column for every
0.2 mm across the line, from 6.3 mm inside to 6.3 mm outside.  A small convolutional network gives, for every row, the
probability of the edge at each column and of there being no bare edge (a chin rest lies over it).  It has learned from
rendered photos what tells a rounded, varnished edge from its inlay, its shadow and the grain of a floor; see
models/SOURCES.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.networks.session import session

MODEL = Path(__file__).parents[1] / "models" / "edge.onnx"
COLUMNS = 64
"""Places across the line; as in training."""
STEP_MM = 0.2
"""Way between two of them; as in training."""
TAUGHT_SIGMA_MM = 0.20
"""Width of the peaks that the network was taught to draw at an exactly known edge; it is no uncertainty."""
_NEAR_COLUMNS = 4
"""Columns on either side of a peak that belong to it: four of the widths taught."""
_LEAST_SPREAD = 0.03
"""Added to the spread of a strip's colours, so that an even ground is not blown up to noise; as in training."""


@dataclass(frozen=True)
class EdgeReading:
    """Where a line's edge was found.

    Attributes
    ----------
    offset_mm : (N,) ndarray
        Outward from the predicted node.
    sigma_mm : (N,) ndarray
        Spread of the probability about it, beyond what was taught.
    seen : (N,) ndarray
        Probability that there is a bare edge.
    """

    offset_mm: Array
    sigma_mm: Array
    seen: Array


def read_edges(
    picture: Picture, lines_px: tuple[Array, ...], normals_px: tuple[Array, ...], px_per_mm: float
) -> tuple[EdgeReading, ...]:
    """Find the edges beside predicted closed lines.

    Parameters
    ----------
    picture : (H, W, 3) uint8 ndarray
        The photo, RGB.
    lines_px, normals_px : tuple of (N, 2) ndarray
        Nodes of each line, in order round the outline, and the outward unit normals.
    px_per_mm : float
        Resolution at the instrument.
    """
    across_px = np.asarray((np.arange(COLUMNS) - (COLUMNS - 1) / 2) * STEP_MM * px_per_mm, dtype=np.float64)
    strips = np.stack(
        [_strip(picture, line, normal, across_px) for line, normal in zip(lines_px, normals_px, strict=True)]
    )
    mean = strips.mean(axis=(1, 2), keepdims=True)
    spread = strips.std(axis=(1, 2, 3), keepdims=True)
    batch = ((strips - mean) / (spread + _LEAST_SPREAD)).transpose(0, 3, 1, 2).astype(np.float32)
    logits = session(MODEL, 1).run(None, {"strips": batch})[0].astype(np.float64)
    chance = np.exp(logits - logits.max(axis=2, keepdims=True))
    chance /= chance.sum(axis=2, keepdims=True)
    return tuple(_reading(each) for each in chance)


def _strip(picture: Picture, line_px: Array, normal_px: Array, across_px: Array) -> Array:
    maps = (line_px[:, None, :] + across_px[None, :, None] * normal_px[:, None, :]).astype(np.float32)
    values = cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return values.astype(np.float64) / 255


def _reading(chance: Array) -> EdgeReading:
    """Mean and spread of the highest peak of each row's probability (N, COLUMNS + 1)."""
    place_mm = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * STEP_MM
    edge = chance[:, :COLUMNS]
    columns = np.arange(COLUMNS)[None]
    near = np.where(np.abs(columns - edge.argmax(axis=1)[:, None]) <= _NEAR_COLUMNS, edge, 0.0)
    near /= near.sum(axis=1, keepdims=True)
    offset = near @ place_mm
    square = (near * (place_mm - offset[:, None]) ** 2).sum(axis=1)
    sigma = np.sqrt(np.maximum(square - TAUGHT_SIGMA_MM**2, 0.0))
    return EdgeReading(offset, sigma, 1.0 - chance[:, COLUMNS])
