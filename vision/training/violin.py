"""Violins by the thousand: random instruments as clouds of small flat pieces, each with place, normal, colour and part.

Frame, mm: x to the treble side, y along the axis from the lower end of the body to the scroll, z up through the top;
z = 0 at the underside of the back's edge.  Every instrument is drawn at a full size's body length, because a picture
shows proportions only; small instruments come out as stouter ones.  Proportions are those that makers' handbooks give
for violins, from memory, varied more widely than real ones; outlines come from `vision.instrument.shape`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Floats
from vision.training.pieces import SHOULDER_REST, Patch, Skin
from vision.training.violin_fittings import bridge, chin_rest, pegs, shoulder_rest, strings, tail
from vision.training.violin_wood import (
    LENGTH,
    Build,
    board_height,
    head,
    head_line,
    lengthwise,
    neck,
    plates,
    random_build,
    walls,
)


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
    arch = -build.back_arch * lengthwise(along)
    return Solid(
        tuple(patch.skin for patch in patches if patch.skin is not None and patch.part != SHOULDER_REST),
        np.column_stack([build.outline, np.full(len(build.outline), build.top - build.edge / 2)]),
        _points(build),
        np.column_stack([np.zeros(200), LENGTH * along, arch]),
        build.edge,
        build.ribs,
    )


def _drawn(seed: int) -> tuple[Build, list[Patch]]:
    rng = np.random.default_rng(seed)
    build = random_build(rng)
    patches = [*plates(rng, build), *walls(rng, build), *neck(rng, build), *head(rng, build), *pegs(rng, build)]
    patches += [*bridge(build), *tail(rng, build), *strings(rng, build)]
    if rng.random() < 0.75:
        patches += chin_rest(rng, build)
    if rng.random() < 0.16:
        patches += shoulder_rest(rng, build)
    return build, patches


def _points(b: Build) -> dict[str, Array]:
    """The marked points, mm."""
    radius, eye, z_eye, _ = head_line(b)
    z = b.top - b.edge / 2
    right = b.outline[b.outline[:, 0] > 0]

    def bout(low: float, high: float, narrowest: bool) -> Array:
        part = right[(right[:, 1] > low * LENGTH) & (right[:, 1] < high * LENGTH)]
        return np.asarray(part[part[:, 0].argmin() if narrowest else part[:, 0].argmax()])

    points = {
        "scroll_top": np.array([0, eye + radius, z_eye]),
        "body_top_center": np.array([0, LENGTH, z]),
        "body_bottom_center": np.array([0, 0, z]),
        "nut_center": np.array([0, b.nut, float(board_height(b, b.nut)) + 0.8]),
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
