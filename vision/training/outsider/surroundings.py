"""The room about a figure: walls, floor, ceiling, what stands in it, and its light."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from vision.training.outsider.furniture import furnished
from vision.training.outsider.lighting import light
from vision.training.outsider.materials import thing_made, tone, wall_of
from vision.training.outsider.pieces import Made, Surroundings
from vision.training.outsider.solids import block, flat


def room(
    rng: np.random.Generator, arm: tuple[Array, Array], top: float, camera: Array
) -> tuple[Surroundings, dict[str, str]]:
    """All about a figure: nothing stands before the body, the arm (from shoulder to fingertip) or near them."""
    out = Surroundings()
    made, wall = wall_of(rng)
    left, right, ceiling = -float(rng.uniform(1.8, 3.2)), float(rng.uniform(1.8, 3.2)), float(rng.uniform(2.4, 3.0))
    deep = float(rng.uniform(3.5, 6.0))
    out.pieces.append(flat([[left, 0, 0], [right, 0, 0], [right, ceiling, 0], [left, ceiling, 0]], made, "wall"))
    out.pieces.append(flat([[left, 0, deep], [right, 0, deep], [right, 0, 0], [left, 0, 0]], _floor(rng)))
    plain: Made = {
        "kind": "plaster",
        "colour": tone(rng, 0.3, 0.8, 0.2),
        "fine": 90.0,
        "stain": 0.95,
        "rough": 0.9,
        "bump": 0.1,
    }
    closed = rng.random() < 0.55
    for x, shown in ((left, rng.random() < 0.7), (right, rng.random() < 0.7)):
        if shown:
            out.pieces.append(flat([[x, 0, deep], [x, 0, 0], [x, ceiling, 0], [x, ceiling, deep]], plain))
    if closed:
        out.pieces.append(
            flat(
                [[left, ceiling, 0], [right, ceiling, 0], [right, ceiling, deep], [left, ceiling, deep]],
                {"kind": "plain", "colour": (0.75, 0.74, 0.72), "rough": 0.9},
            )
        )
    if rng.random() < 0.75:
        out.pieces.append(block((left, 0, 0), (right, float(rng.uniform(0.05, 0.12)), 0.015), thing_made(rng)))
    out.pieces += furnished(rng, arm, top, ceiling)
    return out, {"wall": wall, "light": light(rng, out, camera, closed, ceiling)}


def _floor(rng: np.random.Generator) -> Made:
    """Boards, or a carpet."""
    wood = rng.uniform(0.4, 1.4)
    boards: Made = {
        "kind": "bricks",
        "colour": (0.36 * wood, 0.22 * wood, 0.12 * wood),
        "other": (0.28 * wood, 0.16 * wood, 0.085 * wood),
        "mortar": (0.02, 0.015, 0.01),
        "gap": 0.002,
        "size": (0.9, 0.11),
        "rough": 0.35,
        "bump": 0.15,
        "grain": 12.0,
        "bent": 2.0,
    }
    if rng.random() >= 0.4:
        return boards
    return {
        "kind": "plaster",
        "colour": tone(rng, 0.06, 0.5, 0.5),
        "fine": 500.0,
        "stain": 0.8,
        "rough": 0.95,
        "bump": 0.8,
    }
