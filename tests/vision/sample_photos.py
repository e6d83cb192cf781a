"""The sample photos with what is true of them, each decoded and measured once."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.sheet import SheetLayout
from calibration.sheet_drawing import sheet_image
from vision.arm.measure import ArmMeasurement, measure_arm
from vision.arm.seen import SeenArm, see_arm
from vision.instrument.detected import DetectedInstrument, detect_instrument
from vision.instrument.measure import InstrumentMeasurement, solve_instrument
from vision.photo import Photo, load_photo

FOLDER = Path(__file__).resolve().parents[2] / "sample_images"


@cache
def truth(name: str) -> dict[str, Any]:
    """What is true of a sample (written by `tests.samples`)."""
    every: dict[str, dict[str, Any]] = json.loads((FOLDER / "truth.json").read_text())
    return every[name]


@cache
def photo(name: str) -> Photo:
    """A sample, decoded; not to be written into."""
    decoded = load_photo(FOLDER / f"{name}.jpg")
    decoded.rgb.setflags(write=False)
    return decoded


@cache
def seen_arm(name: str) -> SeenArm:
    """What is seen of the arm in a sample."""
    return see_arm(photo(name))


@cache
def measured_arm(name: str) -> ArmMeasurement:
    """The arm of a sample, measured from end to end."""
    return measure_arm(photo(name))


@cache
def detected_instrument(name: str) -> DetectedInstrument:
    """What is seen of the instrument in a sample."""
    return detect_instrument(photo(name))


@cache
def measured_instrument(name: str) -> InstrumentMeasurement:
    """The instrument of a sample, measured."""
    return solve_instrument(detected_instrument(name))


def with_sheet(seen: Photo, layout: SheetLayout, corners_px: NDArray[np.float64]) -> Photo:
    """The photo with a printed sheet over whatever is there: its corners (4, 2) from top left, clockwise, px."""
    page = sheet_image(layout, 150)
    high, wide = page.shape
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32) - 0.5
    way = cv2.getPerspectiveTransform(corners, corners_px.astype(np.float32))
    drawn = cv2.warpPerspective(page, way, seen.size_px, flags=cv2.INTER_AREA)[..., None] * 0.8 + 20
    cover = cv2.warpPerspective(np.ones(page.shape, np.float32), way, seen.size_px)[..., None]
    rgb = cv2.GaussianBlur(seen.rgb * (1 - cover) + drawn * cover, (0, 0), 0.5)
    return replace(seen, rgb=np.ascontiguousarray(rgb.astype(np.uint8)))
