"""The path tracer of ``trace.cu``, built where it is first used: by nvcc for a graphics card, else by g++."""

from __future__ import annotations

import ctypes
import hashlib
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Floats, Picture
from vision.training.figures.meshes import Mesh, normals

SOURCE = Path(__file__).with_name("trace.cu")
SKY = (32, 64)


@dataclass(frozen=True)
class Surface:
    """A material: colour times vertex colour times texture, the texture's repeats a unit, coat and roughness."""

    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    texture: Picture | None = None
    repeats: tuple[float, float] = (1.0, 1.0)
    coat: float = 0.0
    rough: float = 0.5


@dataclass(frozen=True)
class Lamp:
    """A rectangle that shines along u x v: middle, half sides, radiance."""

    middle: Array
    u: Array
    v: Array
    radiance: Array


@dataclass(frozen=True)
class View:
    """A pinhole: place, rotation (rows right, down, ahead), focal length and principal point in px, size."""

    place: Array
    turn: Array
    focal: float
    centre: tuple[float, float]
    size: tuple[int, int]

    def project(self, points: Array) -> Array:
        """Points (N, 3) to px (N, 2)."""
        seen = (points - self.place) @ self.turn.T
        return np.asarray(self.focal * seen[:, :2] / seen[:, 2:] + np.array(self.centre))


_MATERIAL = np.dtype(
    [("texture", "i4"), ("u", "f4"), ("v", "f4"), ("coat", "f4"), ("rough", "f4"), ("colour", "f4", 3)]
)
_TEXTURE = np.dtype([("at", "i8"), ("wide", "i4"), ("high", "i4")])
_LIGHT = np.dtype([("middle", "f4", 3), ("u", "f4", 3), ("v", "f4", 3), ("radiance", "f4", 3)])
_CAMERA = np.dtype(
    [("at", "f4", 3), ("turn", "f4", 9), ("focal", "f4"), ("cx", "f4"), ("cy", "f4")]
    + [(name, "i4") for name in ("wide", "high", "samples", "bounces", "seed")]
)

_FOR_GRAPHICS = ("nvcc -O3 --use_fast_math -arch=native -Xcompiler -fPIC -shared {source} -o {part}",)
_FOR_PROCESSORS = (
    "g++ -x c++ -O3 -march=native -ffast-math -fopenmp -fPIC -c {source} -o {made}",
    "g++ -shared -fopenmp {made} -o {part}",
)
"""How it is built.  In two steps by g++: what is linked with fast arithmetic has the whole process take the smallest
numbers for zero from when it is loaded."""


@cache
def library() -> ctypes.CDLL:
    """The tracer, built if it was not."""
    graphics = shutil.which("nvidia-smi") is not None and shutil.which("nvcc") is not None
    steps = _FOR_GRAPHICS if graphics else _FOR_PROCESSORS
    mark = hashlib.sha256(SOURCE.read_bytes() + str(steps).encode()).hexdigest()[:12]
    built = Path(tempfile.gettempdir()) / f"figure-tracer-{mark}.so"
    if not built.exists():
        with tempfile.TemporaryDirectory() as folder:
            names = {"source": str(SOURCE), "made": f"{folder}/tracer.o", "part": f"{folder}/tracer.so"}
            for step in steps:
                subprocess.run([each.format(**names) for each in step.split()], check=True)
            shutil.move(names["part"], built)
    return ctypes.CDLL(str(built))


def render(
    meshes: Sequence[Mesh],
    surfaces: dict[str, Surface],
    lamps: Sequence[Lamp],
    sky: Array,
    view: View,
    samples: int,
    seed: int,
    bounces: int = 2,
) -> tuple[Floats, NDArray[np.int16], Floats]:
    """Trace a picture.

    Returns
    -------
    image : (H, W, 3) float32 ndarray
        Linear radiance.
    labels : (H, W) int16 ndarray
        Number of the material in the middle of each pixel, in the order of `surfaces`; -1 for the sky.
    range_m : (H, W) float32 ndarray
        Distance from the camera there.
    """
    names = list(surfaces)
    points, normal, uv, colours, faces, material = [], [], [], [], [], []
    start = 0
    for mesh in meshes:
        n = len(mesh.points)
        points.append(mesh.points)
        normal.append(normals(mesh.points, mesh.faces) if mesh.normals is None else mesh.normals)
        uv.append(np.zeros((n, 2)) if mesh.uv is None else mesh.uv)
        colours.append(np.ones((n, 3)) if mesh.colours is None else mesh.colours)
        faces.append(mesh.faces + start)
        material.append(np.full(len(mesh.faces), names.index(mesh.material)))
        start += n
    kinds, places, texels, at = np.zeros(len(names), _MATERIAL), [], [], 0
    for number, surface in enumerate(surfaces.values()):
        picture = surface.texture
        kinds[number] = (
            -1 if picture is None else len(places),
            *surface.repeats,
            surface.coat,
            surface.rough,
            surface.colour,
        )
        if picture is not None:
            places.append((at, picture.shape[1], picture.shape[0]))
            texels.append(picture.ravel())
            at += picture.size
    lights = np.zeros(len(lamps), _LIGHT)
    for number, lamp in enumerate(lamps):
        lights[number] = (lamp.middle, lamp.u, lamp.v, lamp.radiance)
    camera = np.zeros(1, _CAMERA)
    wide, high = view.size
    camera[0] = (view.place, view.turn.ravel(), view.focal, *view.centre, wide, high, samples, bounces, seed % 2**31)
    f32 = [np.ascontiguousarray(np.concatenate(part), np.float32) for part in (points, normal, uv, colours)]
    i32 = [np.ascontiguousarray(np.concatenate(part), np.int32) for part in (faces, material)]
    every = np.concatenate(texels) if texels else np.zeros(3, np.uint8)
    spots = np.array(places or [(0, 1, 1)], _TEXTURE)
    around = np.ascontiguousarray(sky, np.float32)
    image, labels, ranges = (
        np.zeros((high, wide, 3), np.float32),
        np.zeros((high, wide), np.int16),
        np.zeros((high, wide), np.float32),
    )
    c = ctypes.c_int

    def at_(array: NDArray[np.generic]) -> ctypes.c_void_p:
        return ctypes.c_void_p(array.ctypes.data)

    failed = library().render(
        c(start), c(len(i32[0])), *(at_(a) for a in f32), *(at_(a) for a in i32), c(len(kinds)), at_(kinds),
        c(len(spots)), at_(spots), ctypes.c_int64(every.size), at_(every), c(len(lights)), at_(lights), at_(around),
        ctypes.c_float(0.45 if lamps else 1.0), at_(camera), at_(image), at_(labels), at_(ranges),
    )  # fmt: skip
    if failed:
        raise RuntimeError(f"the graphics card failed with error {failed}")
    return image, labels, ranges
