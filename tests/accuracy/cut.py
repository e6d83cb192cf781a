"""Good scenes of which a part was cut out afterwards, so that the focal length they state is not theirs.

Each is cut three times at random, by its number, to between five and nine tenths of its sides, as far as sheets, person
and instrument stay in.  "Told by its sides": the file shows that something was cut.  "Believed whole": the sides keep
proportion and steps of a camera's own, and only the sheets can tell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.lens import Frame
from tests.accuracy import arm, instrument
from tests.accuracy.scenes import Scene, scenes
from tests.accuracy.table import Reading, Row, row
from vision.arm.measure import measure_arm
from vision.instrument.measure import measure_instrument
from vision.photo import Photo, load_photo

SHARES = (0.5, 0.9)
TIMES = 3
_LEAST_CUT = 0.97
"""Share of a picture's sides that is no cut worth the name."""
_AROUND = 0.02
"""Of the picture's width, what is left around what has to stay in."""
_ABOVE, _BELOW, _BESIDE = 0.75, 1.2, 0.3
"""Of the arm's length: what is left over its neck for a head, under it for the hips, and beside it and the hand."""


def rows(shared_scenes: Path) -> list[Row]:
    """Arms and bodies in pictures that were cut."""
    table = []
    for kind, title in (*arm.KINDS.items(), ("violin", "instrument")):
        for condition, told in (("cut, told by its sides", True), ("cut, believed whole", False)):
            readings, doubted = [], 0
            for scene, photo in _cut(shared_scenes, kind):
                shown = replace(photo, lens=replace(photo.lens, frame=Frame.CUT)) if told else photo
                reading = _reading(kind, scene, shown)
                doubted += "photo_cut" in reading.problems
                readings.append(reading)
            length = "body_length" if kind == "violin" else "arm"
            summed = row(title, condition, length, readings)
            note = f"{doubted} of {len(readings)} said to be cut"
            table.append(Row(**{**summed.as_json(), "notes": note, "extra": {"doubted": doubted, "of": len(readings)}}))
    return table


def _reading(kind: str, scene: Scene, photo: Photo) -> Reading:
    if kind == "violin":
        return instrument.Result(scene, measure_instrument(photo)).reading("body_length")
    return arm.Result(scene, measure_arm(photo)).reading()


def _cut(shared_scenes: Path, kind: str) -> Iterator[tuple[Scene, Photo]]:
    for number, scene in enumerate(scenes(shared_scenes, kind)):
        truth = scene.truth
        if truth["quality"] not in ("good", "ok") or (kind == "violin" and truth["flags"]["shoulder_rest"]):
            continue
        photo = load_photo(scene.photo)
        needed = np.vstack([_of_sheets(scene), _of_instrument(scene) if kind == "violin" else _of_person(scene)])
        for time in range(TIMES):
            cut = cut_out(photo, needed, np.random.default_rng([number, time]))
            if cut is not None:
                yield scene, cut


def cut_out(photo: Photo, needed_px: Array, rng: np.random.Generator) -> Photo | None:
    """A part of a photo in its own proportions with the points (N, 2) in it; None where nothing can be cut off."""
    size = np.array(photo.size_px)
    low = np.maximum(needed_px.min(axis=0) - _AROUND * size[0], 0)
    high = np.minimum(needed_px.max(axis=0) + _AROUND * size[0], size)
    share = max(rng.uniform(*SHARES), *((high - low) / size))
    if share > _LEAST_CUT:
        return None
    sides = np.floor(share * size).astype(int)
    first = np.maximum(high - sides, 0)
    left, top = rng.uniform(first, np.maximum(np.minimum(low, size - sides), first)).astype(int)
    rgb = np.ascontiguousarray(photo.rgb[top : top + sides[1], left : left + sides[0]])
    return replace(photo, rgb=rgb)


def _of_sheets(scene: Scene) -> Array:
    return np.vstack([np.array(sheet["corners_px"]).reshape(-1, 2) for sheet in scene.truth["sheets"]])


def _of_instrument(scene: Scene) -> Array:
    mask = cv2.imread(str(scene.folder / "mask.png"), cv2.IMREAD_GRAYSCALE)
    assert mask is not None
    return np.argwhere(mask > 0)[:, ::-1].astype(np.float64)


def _of_person(scene: Scene) -> Array:
    points = {name: np.array(point["px"]) for name, point in scene.truth["points"].items()}
    neck, palm = (next(points[name] for name in points if name.startswith(end)) for end in ("side_neck", "mid_palm"))
    reach = palm - neck
    length = float(np.linalg.norm(reach))
    around = np.array([[-_BESIDE, -_ABOVE], [0.0, _BELOW]]) * length
    size = np.array([scene.truth["camera"].get(side, 1e9) for side in ("width", "height")])
    return np.clip(np.vstack([*points.values(), neck + around, palm + _BESIDE * reach]), 0, size)
