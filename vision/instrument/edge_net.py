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
from numpy.typing import NDArray

from calibration.arrays import Array, Floats, Mask, Picture
from vision.networks.session import session

MODEL = Path(__file__).parents[1] / "models" / "edge.onnx"
COLUMNS = 64
"""Places across the line; as in training."""
STEP_MM = 0.2
"""Way between two of them; as in training."""
TAUGHT_SIGMA_MM = 0.20
"""Width of the peaks that the network was taught to draw at an exactly known edge; it is no uncertainty."""
SEES_NODES = 17
"""Nodes on either side of one that the network looks at with it: 1 + 2 + 4 + 8 + 2 by its five convolutions."""
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
    picture: Picture,
    lines_px: tuple[Array, ...],
    normals_px: tuple[Array, ...],
    asked: tuple[Mask, ...],
    px_per_mm: float,
) -> tuple[EdgeReading, ...]:
    """Find the edges beside predicted closed lines.

    Parameters
    ----------
    picture : (H, W, 3) uint8 ndarray
        The photo, RGB.
    lines_px, normals_px : tuple of (N, 2) ndarray
        Nodes of each line, in order round the outline, and the outward unit normals.
    asked : tuple of (N,) ndarray of bool
        Nodes whose edges are wanted: of the others nothing is said (not a number, seen 0).
    px_per_mm : float
        Resolution at the instrument.
    """
    across_px = np.asarray((np.arange(COLUMNS) - (COLUMNS - 1) / 2) * STEP_MM * px_per_mm, dtype=np.float64)
    # rows of all lines one below the other, each with the neighbours that the network sees with it
    rows, own = zip(*(_with_neighbours(nodes) for nodes in asked), strict=True)
    strips = [_strip(picture, line, normal, across_px) for line, normal in zip(lines_px, normals_px, strict=True)]
    shown = np.concatenate([_even(strip, row) for strip, row in zip(strips, rows, strict=True)])
    logits = np.empty((0, COLUMNS + 1))
    if len(shown):
        logits = session(MODEL).run(None, {"strips": shown.transpose(2, 0, 1)[None]})[0][0].astype(np.float64)
    of_each = np.split(logits, np.cumsum([len(row) for row in rows])[:-1])
    return tuple(
        _reading(each[mine], row[mine], len(nodes))
        for each, row, mine, nodes in zip(of_each, rows, own, asked, strict=True)
    )


def _with_neighbours(asked: Mask) -> tuple[NDArray[np.intp], Mask]:
    """Nodes (R,) to show for those `asked` (N,), in order round the outline, and which rows are no mere neighbours."""
    count = len(asked)
    near = np.convolve(np.tile(asked, 3), np.ones(2 * SEES_NODES + 1), "same")[count : 2 * count] > 0.5
    left_out = np.flatnonzero(~near)
    if not len(left_out):  # the whole outline, and its beginning and end once more
        order = np.arange(-SEES_NODES, count + SEES_NODES)
        return order % count, (order >= 0) & (order < count) & asked[order % count]
    order = np.roll(np.arange(count), -int(left_out[0]))
    order = order[near[order]]
    return order, asked[order]


def _strip(picture: Picture, line_px: Array, normal_px: Array, across_px: Array) -> Picture:
    maps = (line_px[:, None, :] + across_px[None, :, None] * normal_px[:, None, :]).astype(np.float32)
    return np.asarray(cv2.remap(picture, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)


def _even(strip: Picture, row: NDArray[np.intp]) -> Floats:
    """Rows (R, COLUMNS, 3) of a strip, less its mean colour, over the spread of all its colours; as in training."""
    mean, deviation = (of_channels[:, 0] for of_channels in cv2.meanStdDev(strip))
    spread = np.sqrt((mean**2 + deviation**2).mean() - mean.mean() ** 2)
    least = 255 * _LEAST_SPREAD
    return np.asarray((strip[row] - mean.astype(np.float32)) / (spread + least), dtype=np.float32)


def _reading(logits: Array, node: NDArray[np.intp], count: int) -> EdgeReading:
    """Mean and spread of the highest peak of each row's probability, of `node` (R,), by `logits` (R, COLUMNS + 1)."""
    chance = np.exp(logits - logits.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    place_mm = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * STEP_MM
    edge = chance[:, :COLUMNS]
    columns = np.arange(COLUMNS)[None]
    near = np.where(np.abs(columns - edge.argmax(axis=1)[:, None]) <= _NEAR_COLUMNS, edge, 0.0)
    near /= near.sum(axis=1, keepdims=True)
    offset = near @ place_mm
    square = (near * (place_mm - offset[:, None]) ** 2).sum(axis=1)
    sigma = np.sqrt(np.maximum(square - TAUGHT_SIGMA_MM**2, 0.0))
    reading = EdgeReading(np.full(count, np.nan), np.full(count, np.nan), np.zeros(count))
    reading.offset_mm[node], reading.sigma_mm[node], reading.seen[node] = offset, sigma, 1.0 - chance[:, COLUMNS]
    return reading
