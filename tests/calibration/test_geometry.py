"""What a posed camera does with points, against OpenCV's projection and against plain geometry."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import PosedCamera, Surface, adjustments, solve_camera
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.problems import Refused
from tests.calibration.test_any_camera import seen, truth

SIZE = (2400, 1800)
PARAMETERS = np.array(
    [
        *(1800.0, 1210.0, 880.0, 0.02, -0.004, 0.0),
        *(3.0, 0.2, -0.1, -200.0, 90.0, 1400.0),
        *(2.9, 0.1, 0.3, 250.0, -60.0, 1380.0),
    ]
)
CAMERA = PosedCamera((), SIZE, PARAMETERS, 1e-3 * np.eye(18), 0.0, ())
POINTS = np.random.default_rng(1).uniform((-400, -300, -50), (400, 300, 250), (60, 3))


def test_projection_is_opencv_s() -> None:
    f, cx, cy, k1, k2 = PARAMETERS[:5]
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(POINTS, PARAMETERS[6:9], PARAMETERS[9:12], matrix, np.array([k1, k2, 0, 0]))
    np.testing.assert_allclose(CAMERA.project(POINTS), theirs.reshape(-1, 2), atol=1e-8)


def test_rays_go_through_what_is_seen() -> None:
    rays = CAMERA.rays(CAMERA.project(POINTS))
    np.testing.assert_allclose(np.linalg.norm(rays, axis=1), 1.0)
    towards = POINTS - CAMERA.position_mm
    np.testing.assert_allclose(rays, towards / np.linalg.norm(towards, axis=1, keepdims=True), atol=1e-8)


def test_the_middle_of_a_strongly_distorting_lens_has_a_ray() -> None:
    strong = CAMERA.with_parameters(np.concatenate([[1800.0, 1210.0, 880.0, -0.2, 0.05], PARAMETERS[5:]]))
    np.testing.assert_allclose(strong.project(strong.to_plane([[1210.0, 880.0]], 0.0))[0], (1210, 880), atol=1e-6)
    corners = np.array([(0.0, 0.0), (2399.0, 0.0), (0.0, 1799.0)])
    np.testing.assert_allclose(strong.project(strong.to_plane(corners, 30.0)), corners, atol=1e-3)


def test_points_come_back_from_planes() -> None:
    pixels = CAMERA.project(POINTS)
    np.testing.assert_allclose(CAMERA.to_plane(pixels, POINTS[:, 2]), POINTS, atol=1e-6)


def test_a_further_sheet_s_frame_leads_to_the_first_one_s() -> None:
    turn, shift = CAMERA.sheet_frame(1)
    own = np.array([30.0, -20.0, 5.0])
    in_camera = cv2.Rodrigues(PARAMETERS[12:15])[0] @ own + PARAMETERS[15:]
    np.testing.assert_allclose(CAMERA.rotation @ (turn @ own + shift) + CAMERA.translation_mm, in_camera, atol=1e-9)
    np.testing.assert_allclose(CAMERA.sheet_frame(0)[0], np.eye(3), atol=1e-12)


def test_names_of_the_parameters() -> None:
    assert (CAMERA.focal_px, CAMERA.k1, CAMERA.k2) == (1800.0, 0.02, -0.004)
    np.testing.assert_array_equal(CAMERA.centre_px, (1210, 880))
    # 35 mm-equivalent: the diagonal of 36 x 24 mm over the photo's diagonal of 3000 px
    assert CAMERA.focal35_mm == pytest.approx(1800 * np.hypot(36, 24) / 3000, rel=1e-4)
    assert CAMERA.focal_standard_uncertainty_px == pytest.approx(1e-3)


def _heights_mm(surface: Surface, height_mm: float, far_mm: float, noise_px: float) -> NDArray[np.float64]:
    """Heights found of a second sheet, in thirty photos."""
    camera = truth(SIZE, 26.0, (8.0, 20.0, 0.0), far_mm)
    found = []
    for seed in range(30):
        generator = np.random.default_rng(seed)
        first, second = seen(camera, 2, 350.0, generator, noise_px)
        raised = camera.project(second.corner_mm + np.array([350.0, 0.0, height_mm]))
        raised = raised + generator.normal(0, noise_px, raised.shape)
        second = replace(second, corner_px=raised)
        found.append(float(solve_camera([first, second], SIZE, StatedLens(26.0), surface).sheet_heights_mm()[1]))
    return np.array(found)


def test_what_is_believed_of_further_sheets() -> None:
    """Where the sheets are too small to tell, they lie on one wall within 3 mm; on a table a book may be under one."""
    wall, table = (_heights_mm(surface, 0.0, 6000.0, 0.3) for surface in (Surface.WALL, Surface.TABLE))
    # each sheet's distance is known to some 10 mm at 6 m, of which the belief of 3 mm leaves 10 * 3^2 / (10^2 + 3^2)
    assert wall.std() < 1.5
    assert table.std() > 4.0
    for surface in (Surface.TABLE, Surface.ANY):
        near = _heights_mm(surface, 30.0, 1200.0, 0.05)
        assert near.mean() == pytest.approx(30.0, abs=1.0)


def test_a_print_s_true_scale_moves_the_camera() -> None:
    (sheet,) = seen(truth(SIZE, 26.0, (5.0, 15.0, 0.0), 1200.0), 1, 0.0, np.random.default_rng(1), 0.02)
    plain = solve_camera([sheet], SIZE, StatedLens(26.0), Surface.WALL)
    small = solve_camera([sheet], SIZE, StatedLens(26.0), Surface.WALL, {sheet.layout.name: 0.95})
    other = solve_camera([sheet], SIZE, StatedLens(26.0), Surface.WALL, {"letter-4": 0.95})
    assert small.position_mm == pytest.approx(0.95 * plain.position_mm, rel=1e-4)
    assert other.position_mm == pytest.approx(plain.position_mm)


def test_a_stretched_print_is_found_within_what_is_stated() -> None:
    """Seen small and tilted, the tilt explains any stretch and the belief stands; seen from in front, it shows."""
    (sheet,) = seen(truth(SIZE, 26.0, (20.0, 0.0, 0.0), 8000.0), 1, 0.0, np.random.default_rng(1), 0.3)
    far = solve_camera([sheet], SIZE, StatedLens(26.0), Surface.TABLE)
    assert np.sqrt(far.covariance[5, 5]) == pytest.approx(0.0015, rel=0.04)
    camera = truth(SIZE, 26.0, (0.0, 0.0, 0.0), 500.0)
    (sheet,) = seen(camera, 1, 0.0, np.random.default_rng(1), 0.0)
    stretched = camera.project(sheet.corner_mm * np.array([1.0, 1.003, 1.0]))
    near = solve_camera([replace(sheet, corner_px=stretched)], SIZE, StatedLens(26.0), Surface.TABLE)
    u = float(np.sqrt(near.covariance[5, 5]))
    assert u < 0.0003
    assert near.parameters[5] == pytest.approx(0.003, abs=2 * u)


def test_chi_square_is_of_the_corners_and_noise_is_no_bend() -> None:
    """2 n - 6 of them are free, and noise of 0.1 px a coordinate is what is left."""
    sheets = seen(truth(SIZE, 26.0, (5.0, 20.0, 0.0), 900.0), 2, 240.0, np.random.default_rng(8), 0.1)
    solved = solve_camera(sheets, SIZE, StatedLens(26.0), Surface.WALL)
    corners = sum(len(sheet.corner_index) for sheet in sheets)
    assert solved.chi_square == pytest.approx(2 * corners - 12, rel=0.2)
    assert max(solved.bend_px) < 0.04


@pytest.mark.parametrize(("focal35_mm", "refused"), [(18.9, True), (19.0, False)])
def test_ultra_wide_lenses_by_what_the_photo_states(focal35_mm: float, refused: bool) -> None:
    (sheet,) = seen(truth(SIZE, 20.0, (5.0, 20.0, 0.0), 900.0), 1, 0.0, np.random.default_rng(8), 0.05)
    if refused:
        with pytest.raises(Refused):
            solve_camera([sheet], SIZE, StatedLens(focal35_mm))
    else:
        assert solve_camera([sheet], SIZE, StatedLens(focal35_mm)).focal35_mm > 18


def test_an_ultra_wide_lens_that_the_photo_does_not_state_is_seen_by_its_sheets() -> None:
    sheets = seen(truth(SIZE, 13.0, (10.0, 40.0, 0.0), 420.0), 1, 0.0, np.random.default_rng(8), 0.02)
    with pytest.raises(Refused) as refusal:
        solve_camera(sheets, SIZE)
    assert [problem.code for problem in refusal.value.problems] == ["wrong_lens"]


def test_a_tele_lens_that_the_photo_does_not_state_is_found() -> None:
    sheets = seen(truth(SIZE, 77.0, (10.0, 40.0, 0.0), 900.0), 1, 0.0, np.random.default_rng(8), 0.02)
    camera = solve_camera(sheets, SIZE)
    assert camera.focal35_mm == pytest.approx(77, rel=0.03)
    assert camera.focal_standard_uncertainty_px / camera.focal_px < 0.03
    assert pytest.approx(np.hypot(36, 24), abs=1e-3) == FRAME_DIAGONAL_MM


@pytest.mark.parametrize("stretch", [-0.08, 0.08])
def test_derivatives_hold_far_from_the_solution_too(stretch: float) -> None:
    """Against differences of the residuals, by a print that is stretched far beyond what printers do."""
    sheets = seen(truth(SIZE, 26.0, (10.0, 25.0, 5.0), 700.0), 2, 250.0, np.random.default_rng(3), 0.05)
    (problem,) = adjustments(tuple(sheets), SIZE, StatedLens(26.0), Surface.WALL, {})
    at = next(problem.starts())
    at[3:6] = 0.05, -0.02, stretch
    numerical = []
    least = np.append(np.full(problem.posed, 1e-2), np.ones(len(at) - problem.posed))
    at[problem.posed :] = np.linspace(-2.0, 3.0, len(at) - problem.posed)
    for step in np.diag(1e-6 * np.maximum(np.abs(at), least)):
        numerical.append((problem.residuals(at + step) - problem.residuals(at - step)) / (2 * step.sum()))
    columns = np.column_stack(numerical)
    scale = np.linalg.norm(columns, axis=0)
    np.testing.assert_allclose(problem.jacobian(at) / scale, columns / scale, atol=2e-6)
