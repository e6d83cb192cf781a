"""A refused photo shows where the fault is, and no face."""

from __future__ import annotations

import numpy as np
import pytest

from vision.drawing import RED
from vision.photo import Photo
from vision.refusal import LONGEST_SIDE_PX, draw_refusal

POINTS = {
    "shoulder": (900.0, 700.0),
    "elbow": (1200.0, 700.0),
    "wrist": (1500.0, 500.0),
    "mid_palm": (1600.0, 450.0),
}
GREY = 150


def photo() -> Photo:
    rgb = np.full((1400, 2800, 3), GREY, np.uint8)
    rgb[100:300, 600:800] = np.random.default_rng(1).integers(0, 255, (200, 200, 3))  # a face, to be blurred
    return Photo("p", rgb)


def red_places(picture: np.ndarray) -> np.ndarray:
    return np.argwhere(np.abs(picture.astype(int) - np.array(RED)).max(-1) < 12)[:, ::-1]


@pytest.mark.parametrize(
    ("code", "point"), [("elbow_bent", "elbow"), ("arm_too_low", "wrist"), ("hand_hidden", "mid_palm")]
)
def test_the_fault_is_ringed(code: str, point: str) -> None:
    picture = draw_refusal(photo(), code, POINTS, faces_px=((700.0, 200.0, 120.0),))
    assert picture.shape == (700, LONGEST_SIDE_PX, 3)
    red = red_places(picture)
    assert np.allclose(red.mean(0), np.array(POINTS[point]) / 2, atol=3)
    face = picture[50:150, 300:400].astype(int)
    assert np.abs(np.diff(face, axis=1)).mean() < 4


@pytest.mark.parametrize("code", ["no_sheet", "elbow_bent", "sheet_cut"])
def test_a_fault_without_a_place_frames_the_picture(code: str) -> None:
    red = red_places(draw_refusal(photo(), code, {}, faces_px=()))
    assert red.min() < 6
    assert red[:, 0].max() > LONGEST_SIDE_PX - 6


def test_a_fault_of_the_sheet_is_marked_on_the_sheet() -> None:
    outline = np.array([[200.0, 900.0], [500.0, 900.0], [500.0, 1300.0], [200.0, 1300.0]])
    red = red_places(draw_refusal(photo(), "sheet_bent", {}, (outline,), ()))
    assert (red.min(0) > [90, 440]).all()
    assert (red.max(0) < [260, 660]).all()
