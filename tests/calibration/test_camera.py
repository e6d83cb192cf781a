"""Pose, focal length and distortion on synthetic sheets, where the truth is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.camera import PosedCamera, solve_camera
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto

SIZE = (2400, 1800)
NOISE_PX = 0.05


def _true_camera(focal35_mm: float = 26.4, k1: float = 0.01) -> PosedCamera:
    """A camera 1.5 m before the first sheet, 10 degrees off the perpendicular, the sheet left of the middle."""
    angle = np.radians(10)
    turn = np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])
    rotation = turn @ np.diag([1.0, -1.0, -1.0])
    vector = cv2.Rodrigues(rotation)[0].ravel()
    focal = focal35_mm * np.hypot(*SIZE) / FRAME_DIAGONAL_MM
    parameters = np.array([focal, 1205.0, 893.0, k1, 0.0, 0.0, *vector, -300.0, -150.0, 1500.0])
    return PosedCamera((), SIZE, parameters, np.zeros((12, 12)), 0.0, ())


def _seen(
    camera: PosedCamera, index: int, at_mm: tuple[float, float, float], generator: np.random.Generator
) -> SheetInPhoto:
    layout = SheetLayout(Paper.A4, index)
    pixels = camera.project(layout.corner_mm + at_mm)
    pixels = pixels + generator.normal(0, NOISE_PX, pixels.shape)
    return SheetInPhoto(layout, np.arange(len(pixels)), pixels, np.eye(3), NOISE_PX, 0.8)


def test_to_plane_inverts_project_with_distortion() -> None:
    camera = _true_camera(k1=-0.03)
    points = np.random.default_rng(1).uniform(-600, 600, (50, 3)) * [1, 1, 0.2]
    back = camera.to_plane(camera.project(points), points[:, 2])
    np.testing.assert_allclose(back, points, atol=1e-6)


def test_slopes_of_the_picture_are_its_differences() -> None:
    camera = _true_camera()
    points = np.array([[0.0, 0.0, 0.0], [300.0, -120.0, 80.0], [-210.0, 90.0, -30.0]])
    px, by_point, by_parameters = camera.project_slopes(points)
    assert np.allclose(px, camera.project(points), atol=1e-9)
    for axis in range(3):
        step = 1e-3 * np.eye(3)[axis]
        difference = (camera.project(points + step) - camera.project(points - step)) / 2e-3
        assert np.allclose(by_point[:, :, axis], difference, atol=1e-6)
    for column, value in enumerate(camera.parameters):
        step = 1e-6 * max(abs(value), 1.0) * np.eye(len(camera.parameters))[column]
        ahead, behind = (camera.with_parameters(camera.parameters + sign * step) for sign in (1, -1))
        difference = (ahead.project(points) - behind.project(points)) / (2 * step[column])
        assert np.allclose(by_parameters[:, :, column], difference, rtol=1e-5, atol=1e-4), column


def test_pose_is_found_within_its_stated_uncertainty() -> None:
    generator = np.random.default_rng(2)
    truth = _true_camera()
    scores = []
    for _ in range(60):
        sheets = [_seen(truth, 1, (0, 0, 0), generator), _seen(truth, 2, (500, 20, 0), generator)]
        camera = solve_camera(sheets, SIZE, StatedLens(generator.normal(26.4, 0.6)), "wall")
        some = [0, 1, 2, 3, 9, 10, 11]  # lens and place; a rotation vector near half a turn may have either sign
        error = (camera.parameters - np.resize(truth.parameters, len(camera.parameters)))[some]
        scores.append(error @ np.linalg.solve(camera.covariance[np.ix_(some, some)], error))
    # 7 on average if the principal point and the distortion were drawn anew from their priors; they are not
    assert 3 < np.mean(scores) < 11


def test_far_point_is_measured_to_a_millimetre() -> None:
    generator = np.random.default_rng(3)
    truth = _true_camera()
    point = np.array([[700.0, -80.0, 100.0]])
    camera = solve_camera([_seen(truth, 1, (0, 0, 0), generator)], SIZE, StatedLens(26.0))
    assert np.linalg.norm(camera.to_plane(truth.project(point), 100.0) - point) < 5.0


def test_second_sheet_on_a_book_is_found_to_lie_higher() -> None:
    generator = np.random.default_rng(4)
    truth = _true_camera()
    sheets = [_seen(truth, 1, (0, 0, 0), generator), _seen(truth, 2, (300, 20, 30), generator)]
    camera = solve_camera(sheets, SIZE, StatedLens(26.0), "table")
    assert camera.sheet_heights_mm()[1] == pytest.approx(30, abs=3)


def test_no_sheet_is_refused() -> None:
    with pytest.raises(Refused) as refusal:
        solve_camera([], SIZE, StatedLens(26.0))
    assert [problem.code for problem in refusal.value.problems] == ["no_sheet"]


def test_ultra_wide_lens_is_refused() -> None:
    sheet = _seen(_true_camera(), 1, (0, 0, 0), np.random.default_rng(5))
    with pytest.raises(Refused) as refusal:
        solve_camera([sheet], SIZE, StatedLens(13.0))
    assert [problem.code for problem in refusal.value.problems] == ["wrong_lens"]
