"""Sheets that are not flat, in front of everything else as it was.

The scenes' sheets are flat.  Here a page is printed onto each as a bent one would be seen in its place: each point of
the print where the line of sight to it, raised by the bend, meets the flat sheet.  The paper's edges stay where they
were rendered, up to a millimetre from where they belong.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Picture
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from tests.accuracy import arm, instrument
from tests.accuracy.scenes import PAGE_DPI, Scene, composer, scenes
from tests.accuracy.table import Row, row
from tests.calibration.bent_paper import SHAPES
from vision.arm.measure import measure_arm
from vision.instrument.measure import measure_instrument
from vision.photo import load_photo

BY_MM = (0.5, 5.0)
_STEPS = 4
"""Of a fixed point that halves what is left many times over in each."""


def rows(shared_scenes: Path) -> list[Row]:
    """Arms and instruments beside sheets that bend by up to 5 mm, each at random by its scene's number."""
    table = []
    with tempfile.TemporaryDirectory() as folder:
        for kind, title in arm.KINDS.items():
            bent = _bent(shared_scenes, kind, Path(folder))
            results = [arm.Result(scene, measure_arm(load_photo(scene.photo))) for scene in bent]
            good = [result for result in results if not result.faults]
            table.append(row(title, "sheet bent", "arm", [result.reading() for result in good]))
        bent = _bent(shared_scenes, "violin", Path(folder))
        lying = [instrument.Result(scene, measure_instrument(load_photo(scene.photo))) for scene in bent]
        plain = [result for result in lying if result.fault is None and not result.on_shoulder_rest]
        for quantity in ("body_length", "total_length"):
            table.append(row("instrument", "sheet bent", quantity, [result.reading(quantity) for result in plain]))
    return table


def _bent(shared_scenes: Path, kind: str, folder: Path) -> Iterator[Scene]:
    for number, scene in enumerate(scenes(shared_scenes, kind)):
        rng = np.random.default_rng(number)
        pages = [
            bent_page(sheet_image(SheetLayout(Paper.A4, index + 1), PAGE_DPI), sheet, scene.truth["camera"], rng)
            for index, sheet in enumerate(scene.truth["sheets"])
        ]
        photo = folder / f"{kind}_{scene.folder.name}.jpg"
        composer(shared_scenes.resolve())(str(scene.folder), pages, str(photo))
        yield replace(scene, photo=photo)


def bent_page(page: Picture, sheet: dict[str, Any], camera: dict[str, Any], rng: np.random.Generator) -> Picture:
    """The page that looks, printed onto a flat sheet, like this one on a sheet that bends at random.

    Parameters
    ----------
    page : (H, W) uint8 ndarray
        The page, upright.
    sheet, camera : dict
        As in a scene's truth.json.
    rng : numpy.random.Generator
        For shape, size and direction of the bend.
    """
    corners = np.array(sheet["corners_mm"], float)
    width, height = (float(np.linalg.norm(corners[end] - corners[0])) for end in (1, 3))
    if (page.shape[1] > page.shape[0]) != (width > height):
        page = np.ascontiguousarray(np.rot90(page, -1))
    axes = np.array([(corners[1] - corners[0]) / width, (corners[3] - corners[0]) / height])
    normal = np.cross(axes[1], axes[0])
    rotation, translation = np.array(camera["R"], float), np.array(camera["t"], float).ravel()
    eye = -rotation.T @ translation - corners[0]
    eye_mm, far_mm = axes @ eye, abs(float(normal @ eye))
    shape, by_mm, angle = SHAPES[rng.choice(list(SHAPES))], rng.uniform(*BY_MM), rng.uniform(0, 2 * np.pi)
    direction = np.array([np.cos(angle), np.sin(angle)])
    reach = 0.5 * float(np.abs(direction) @ [width, height])
    step = np.array([width / page.shape[1], height / page.shape[0]])
    flat = np.stack(np.meshgrid(*(np.arange(n) + 0.5 for n in page.shape[1::-1])), axis=-1) * step
    seen = flat
    for _ in range(_STEPS):
        above = by_mm * shape((seen - [width / 2, height / 2]) @ direction / reach)
        seen = eye_mm + (flat - eye_mm) * ((far_mm - above) / far_mm)[..., None]
    places = (seen / step - 0.5).astype(np.float32)
    return np.asarray(cv2.remap(page, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderValue=255), np.uint8)
