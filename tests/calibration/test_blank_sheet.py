"""Blank paper and cards: found to a fraction of a pixel, told apart, and refused where they cannot be seen."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.blank_sheet import Blank, BlankLayout, blank_quadrangles, find_blank
from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import reference_camera
from calibration.problems import Refused
from tests.calibration.test_any_camera import truth

SIZE = (1200, 900)
_FINER = 4


def outline_mm(blank: Blank, at_mm: tuple[float, float] = (0.0, 0.0), lying: bool = False) -> NDArray[np.float64]:
    corners = BlankLayout(blank).corner_mm
    corners = corners[:, [1, 0, 2]] * [1, -1, 1] if lying else corners
    return np.asarray(corners + np.array([*at_mm, 0.0]))


def photograph(
    camera: PosedCamera, outlines: list[NDArray[np.float64]], wall: int = 120, paper: int = 220, seed: int = 0
) -> NDArray[np.uint8]:
    """Pale polygons on a plain wall, blurred, with noise."""
    canvas = np.full((SIZE[1] * _FINER, SIZE[0] * _FINER), wall, np.uint8)
    for outline in outlines:
        at = (camera.project(outline) + 0.5) * _FINER - 0.5
        cv2.fillPoly(canvas, [np.round(at * 16).astype(np.int32)], paper, shift=4)
    photo = cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA).astype(np.float64)
    photo = cv2.GaussianBlur(photo, (0, 0), 0.7) + np.random.default_rng(seed).normal(0, 2, photo.shape)
    return np.repeat(np.clip(photo, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def codes(refusal: pytest.ExceptionInfo[Refused]) -> list[str]:
    return [problem.code for problem in refusal.value.problems]


CAMERA = truth(SIZE, 26.0, (12.0, 8.0, 5.0), 1100.0)


@pytest.mark.parametrize("lying", [False, True])
@pytest.mark.parametrize("blank", [Blank.A4, Blank.LETTER])
def test_paper_is_found_and_told(blank: Blank, lying: bool) -> None:
    outline = outline_mm(blank, lying=lying)
    found = find_blank(photograph(CAMERA, [outline]), None, 26.0, Surface.WALL)
    (sheet,) = found.camera.sheets
    assert sheet.layout == BlankLayout(blank)
    assert found.probability[blank] > 0.99
    assert found.remarks == ()
    true_px = CAMERA.project(outline)
    nearest = np.linalg.norm(sheet.corner_px[:, None] - true_px[None], axis=2).min(axis=1)
    # polygons are drawn half a fine pixel too large, which is 0.18 px at a corner
    assert nearest.max() < 0.35
    # the focal length is stated to 2.5 %, and the distance goes with it
    distance = float(np.linalg.norm(found.camera.position_mm))
    u = np.sqrt(found.camera.covariance[11, 11])
    assert distance == pytest.approx(1100.0, abs=2.5 * u)


def test_a_card_alone() -> None:
    near = truth(SIZE, 26.0, (12.0, 8.0, 5.0), 400.0)
    found = find_blank(photograph(near, [outline_mm(Blank.CARD, lying=True)]), Blank.CARD, 26.0, Surface.TABLE)
    assert found.camera.sheets[0].layout.name == "blank-card-1"
    # ISO/IEC 7810: +-0.13 mm of 85.60 and 53.98, rectangular, and 0.6 px at either end of some 190 px
    assert found.scales["blank-card-1"].standard_uncertainty < 0.006


def test_the_paper_s_tolerance_is_rectangular() -> None:
    """ISO 216: +-2 mm; u = 2 / sqrt 3 mm of 210 and of 297 mm, for the mean of both sides and for their proportion."""
    wide, long = 2 / np.sqrt(3) / 210, 2 / np.sqrt(3) / 297
    assert BlankLayout(Blank.A4).scale_u == pytest.approx(np.sqrt(wide**2 + long**2) / 2)
    assert BlankLayout(Blank.A4).stretch_sd == pytest.approx(np.sqrt(wide**2 + long**2))
    found = find_blank(photograph(CAMERA, [outline_mm(Blank.A4)]), Blank.A4, 26.0, Surface.WALL)
    scale = found.scales["blank-a4-1"]
    sides_px = np.linalg.norm(np.diff(found.camera.sheets[0].corner_px[[0, 1, 2, 3, 0]], axis=0), axis=1)
    seen = 1.2 / np.sqrt(3) * (1 / sides_px).mean()
    assert scale.standard_uncertainty == pytest.approx(np.hypot(BlankLayout(Blank.A4).scale_u, seen))
    assert scale.contribution(450.0, "blank-a4-1").source == "size of the paper"


def test_wrong_paper_is_remarked() -> None:
    photo = photograph(CAMERA, [outline_mm(Blank.A4)])
    assert [each.code for each in find_blank(photo, Blank.LETTER, 26.0, Surface.WALL).remarks] == ["blank_sheet_unlike"]


def test_a_finger_and_a_curled_corner_move_no_line() -> None:
    outline = outline_mm(Blank.A4)
    straight = photograph(CAMERA, [outline])
    curled = outline.copy()
    curled = np.vstack([outline[:2], [[105.0, -130.0, 0.0], [88.0, -140.0, 0.0], [85.0, -148.5, 0.0]], outline[3:]])
    photo = photograph(CAMERA, [curled])
    finger = CAMERA.project([[-105.0, 30.0, 0.0]])[0]
    cv2.circle(photo, (round(float(finger[0])), round(float(finger[1]))), 7, (150, 110, 100), -1)
    before, after = (find_blank(each, Blank.A4, 26.0, Surface.WALL).camera.sheets[0] for each in (straight, photo))
    assert np.abs(before.corner_px - after.corner_px).max() < 0.5


def test_a_bowed_edge_is_no_flat_paper() -> None:
    along = np.linspace(-148.5, 148.5, 30)
    right = np.column_stack([105 + 4.0 * (1 - (along / 148.5) ** 2), along, np.zeros(30)])
    left = np.column_stack([np.full(30, -105.0), along[::-1], np.zeros(30)])
    found = find_blank(photograph(CAMERA, [np.vstack([right, left])]), Blank.A4, 26.0, Surface.WALL)
    assert "sheet_bent" in {each.code for each in found.remarks}


def test_white_on_white_is_refused_with_advice() -> None:
    with pytest.raises(Refused) as refusal:
        find_blank(photograph(CAMERA, [outline_mm(Blank.A4)], wall=217), Blank.A4, 26.0, Surface.WALL)
    assert codes(refusal) == ["no_blank_sheet"]
    assert "dark" in refusal.value.problems[0].advice


def test_nothing_pale_is_no_paper() -> None:
    with pytest.raises(Refused) as refusal:
        find_blank(photograph(CAMERA, []), None, 26.0, Surface.WALL)
    assert codes(refusal) == ["no_blank_sheet"]


def test_a_square_is_no_paper() -> None:
    square = np.array([(-120.0, 120.0, 0.0), (120.0, 120.0, 0.0), (120.0, -120.0, 0.0), (-120.0, -120.0, 0.0)])
    with pytest.raises(Refused):
        find_blank(photograph(CAMERA, [square]), None, 26.0, Surface.WALL)


def test_a_pattern_inside_is_no_blank_paper() -> None:
    photo = photograph(CAMERA, [outline_mm(Blank.A4)])
    pattern = [outline_mm(Blank.CARD, (x, y)) for x in (-60.0, 0.0, 60.0) for y in (-90.0, 0.0, 90.0)]
    for outline in pattern:
        cv2.fillPoly(photo, [np.round(CAMERA.project(outline)).astype(np.int32)], (90, 60, 60))
    assert blank_quadrangles(photo) == [] or max(
        cv2.contourArea(each.corner_px.astype(np.float32)) for each in blank_quadrangles(photo)
    ) < 0.5 * cv2.contourArea(CAMERA.project(outline_mm(Blank.A4)).astype(np.float32))


def test_a_second_sheet_sharpens() -> None:
    one = photograph(CAMERA, [outline_mm(Blank.A4, (-150.0, 0.0))])
    two = photograph(CAMERA, [outline_mm(Blank.A4, (-150.0, 0.0)), outline_mm(Blank.A4, (150.0, 20.0), lying=True)])
    first, both = (reference_camera(each, 26.0, Surface.WALL, reference=Blank.A4) for each in (one, two))
    assert set(both.prints) == {"blank-a4-1", "blank-a4-2"}
    assert len(both.camera.sheets) == 2
    assert both.camera.focal_standard_uncertainty_px < first.camera.focal_standard_uncertainty_px
