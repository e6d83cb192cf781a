"""Strips of the photo along true outlines, for the edge network: python -m vision.training.edge_strips OUT --count N.

The scenes are those of `vision.training.lying`, traced here near the instrument only and at resolutions of one to two
and a half times those; a third is shrunk and compressed as messengers do.  SEED_VIEW_LINE.jpg is the photo unrolled
along the top plate's edge (line 0) or the back plate's (1): `ROWS` rows for every node of the outline, a column for
every `DENSE_MM` mm, the true edge in the middle.  The .npy beside it says, a bit a row, where the line bounds the body.
Some 3 s a seed and processor.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Mask
from vision.instrument.model import outward_normals
from vision.instrument.shape import MODES, outline_prior
from vision.training.figures.trace import View, render
from vision.training.lying import TO_TRACER, Lens, Scene

Bytes = NDArray[np.uint8]

NODES, ROWS = 392, 2
"""Nodes of the closed outline, and rows of a strip for each."""
DENSE_COLUMNS, DENSE_MM = 200, 0.15
"""Columns of a strip, and the way between two: 15 mm to either side."""
_ROOM_MM = 22.0
"""How far about the lines the picture is traced."""
_FINEST, _VIEWS, _SAMPLES = 2.4, 4, 8
_INSIDE_PX = 0.3
"""Nearer to the other line's image than that a node lies on it, and bounds nothing for sure."""


@dataclass(frozen=True)
class Strip:
    """One line unrolled: picture (ROWS * NODES, DENSE_COLUMNS, 3), RGB, and which rows bound the body."""

    picture: Bytes
    bounds: Mask


def nodes_of(outline: Array) -> Array:
    """Places (ROWS * NODES, 3) on a dense closed outline (D, 3) where the nodes of the model lie, and between them."""
    mean = outline_prior().closed(np.zeros(MODES), 1.0)
    share = _way(mean)[:-1] / _way(mean)[-1]
    fine = np.interp(np.arange(len(mean) * ROWS) / ROWS, np.arange(len(mean) + 1), np.append(share, 1.0))
    x, y = outline[:, 0], outline[:, 1]
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0:
        outline = outline[::-1]
    outline = np.roll(outline, -int(np.argmin(outline[:, 1])), axis=0)
    way, closed = _way(outline), np.vstack([outline, outline[:1]])
    return np.column_stack([np.interp(fine * way[-1], way, closed[:, axis]) for axis in range(3)])


def _way(line: Array) -> Array:
    """Length (N + 1,) of a closed line (N, D) up to each of its points and round to the first."""
    steps = np.linalg.norm(np.diff(np.vstack([line, line[:1]]), axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _unrolled(picture: Bytes, line: Array, normal: Array, px_per_mm: float) -> Bytes:
    across = (np.arange(DENSE_COLUMNS) - (DENSE_COLUMNS - 1) / 2) * DENSE_MM * px_per_mm
    maps = (line[:, None] + across[None, :, None] * normal[:, None]).astype(np.float32)
    return np.asarray(
        cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def strips_of(scene: Scene, number: int, rng: np.random.Generator) -> list[Strip]:
    """Both lines of one view."""
    nodes = nodes_of(scene.solid.outline)
    below = nodes - np.array([0, 0, scene.solid.ribs_mm + scene.solid.edge_mm])
    finer = float(rng.uniform(1.0, _FINEST))
    size = (int(scene.lens.size[0] * finer), int(scene.lens.size[1] * finer))
    lens = Lens(size, scene.lens.focal35_mm, (0.0, 0.0), (np.array(size) - 1) / 2)
    standing = scene.standings[number]
    matrix = lens.matrix(standing.wander_px * finer)
    centre = (float(matrix[0, 2]), float(matrix[1, 2]))
    view = View(standing.place @ TO_TRACER.T, 1000 * standing.turn @ TO_TRACER.T, float(matrix[0, 0]), centre, size)
    lines = [view.project(scene.world(each) @ TO_TRACER.T) for each in (nodes, below)]
    every = np.vstack(lines)
    true_mm = np.linalg.norm(np.ptp(scene.world(nodes)[:, :2], axis=0))
    px_per_mm = float(np.linalg.norm(np.ptp(every, axis=0)) / true_mm)
    low = np.maximum(np.floor(every.min(0) - _ROOM_MM * px_per_mm).astype(int), 0)
    top = np.minimum(np.ceil(every.max(0) + _ROOM_MM * px_per_mm).astype(int), size)
    part = replace(
        view,
        centre=(centre[0] - float(low[0]), centre[1] - float(low[1])),
        size=(int(top[0] - low[0]), int(top[1] - low[1])),
    )
    seed = scene.seed * 31 + number
    linear = render(scene.meshes, scene.surfaces, [], scene.sky, part, _SAMPLES, seed, bounces=0)[0]
    scene.bright, scene.noise = float(rng.uniform(0.5, 0.85)), float(rng.uniform(0.002, 0.008))
    scene.blur_px = float(rng.uniform(0.45, 0.9)) * float(rng.choice([1, 1, finer**0.5]))
    developed = scene.developed(np.nan_to_num(np.asarray(linear, float)), rng)
    picture, shrunk = _sent(np.round(255 * developed).astype(np.uint8), px_per_mm, rng)
    places = [(line - low + 0.5) * shrunk - 0.5 for line in lines]
    return [
        Strip(
            _unrolled(picture, place, _outward(place), px_per_mm * shrunk),
            _outside(place, other),
        )
        for place, other in (places, places[::-1])
    ]


def _sent(picture: Bytes, px_per_mm: float, rng: np.random.Generator) -> tuple[Bytes, float]:
    """The picture as JPEG, one in three smaller, and by how much."""
    shrunk, quality = 1.0, int(rng.uniform(75, 95))
    if rng.random() < 0.35:
        shrunk = min(max(float(rng.uniform(1.3, 2.4)) / px_per_mm, 0.35), 1.0)
        quality = int(rng.uniform(35, 80))
        picture = np.asarray(cv2.resize(picture, None, fx=shrunk, fy=shrunk, interpolation=cv2.INTER_AREA), np.uint8)
    sent = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.asarray(cv2.cvtColor(cv2.imdecode(sent, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8), shrunk


def _outward(line: Array) -> Array:
    """Outward normals of a closed line in the picture, whichever way round it goes."""
    normal = -outward_normals(line)
    beside = tuple((line[0] + 3 * normal[0]).tolist())
    inside = cv2.pointPolygonTest(line.astype(np.float32).reshape(-1, 1, 2), beside, True) > 0
    return -normal if inside else normal


def _outside(line: Array, other: Array) -> Mask:
    """Which points of a line lie clearly outside the other line."""
    contour = other.astype(np.float32).reshape(-1, 1, 2)
    return np.array([cv2.pointPolygonTest(contour, (x, y), True) < -_INSIDE_PX for x, y in line.tolist()])


def main() -> None:
    """Make the strips of the seeds, those that are not there yet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, default=700_400)
    parser.add_argument("--count", type=int, default=430)
    parser.add_argument("--seconds", type=float, default=1e9)
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    start = time.time()
    for seed in range(a.first, a.first + a.count):
        scene, rng = Scene(seed), np.random.default_rng([seed, 77])
        for number in (0, *rng.permutation([1, 2, 3, 4])[: _VIEWS - 1].tolist()):
            names = [a.out / f"{seed}_{number}_{line}" for line in (0, 1)]
            if all(name.with_suffix(".npy").exists() for name in names):
                continue
            for name, strip in zip(names, strips_of(scene, number, rng), strict=True):
                quality = [cv2.IMWRITE_JPEG_QUALITY, 93]
                full = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
                cv2.imwrite(f"{name}.jpg", cv2.cvtColor(strip.picture, cv2.COLOR_RGB2BGR), [*quality, *full])
                np.save(name, np.packbits(strip.bounds))
        print(seed, f"{time.time() - start:.0f} s", flush=True)
        if time.time() - start > a.seconds:
            break


if __name__ == "__main__":
    main()
