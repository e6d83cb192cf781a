"""Any camera before any sheets: whatever is seen, a camera is found, and its uncertainty is a covariance."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.growing import FEWEST_CORNERS
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto

Array = NDArray[np.float64]
LEAST_NOISE_PX = 0.02
SIZES = ((4000, 3000), (2400, 3200), (1600, 1200), (720, 1280))


def seen(
    camera: PosedCamera, sheets: int, apart_mm: float, generator: np.random.Generator, noise_px: float
) -> list[SheetInPhoto]:
    """Sheets side by side in the plane z = 0, with noise; what is outside the photo or hidden is left out."""
    found = []
    for index in range(1, sheets + 1):
        layout = SheetLayout(Paper.A4, index)
        count = int(generator.integers(24, 43))
        which = np.sort(generator.choice(42, count, replace=False))
        points = layout.corner_mm[which] + [apart_mm * (index - 1), 0, 0]
        pixels = camera.project(points)
        ahead = points @ camera.rotation[2] + camera.translation_mm[2] > 50
        inside = ahead & ((pixels > 0) & (pixels < camera.image_size_px)).all(axis=1)
        corners = pixels[inside] + generator.normal(0, noise_px, pixels[inside].shape)
        stated_px = max(noise_px, LEAST_NOISE_PX)
        if inside.sum() >= FEWEST_CORNERS:
            found.append(SheetInPhoto(layout, which[inside], corners, np.eye(3), stated_px, 0.8))
    return found


def truth(
    size_px: tuple[int, int], focal35_mm: float, tilt_deg: tuple[float, float, float], far_mm: float
) -> PosedCamera:
    """A camera that looks at the first sheet's middle from `far_mm`, tilted about x and y and turned."""
    rotation = np.diag([1.0, -1.0, -1.0])
    for axis, angle in zip(np.eye(3), np.radians(tilt_deg), strict=True):
        rotation = cv2.Rodrigues(axis * angle)[0] @ rotation
    focal_px = focal35_mm * np.hypot(*size_px) / FRAME_DIAGONAL_MM
    vector = cv2.Rodrigues(rotation)[0].ravel()
    middle = (np.array(size_px) - 1) / 2
    parameters = np.array([focal_px, *middle, 0.0, 0.0, 0.0, *vector, 0.0, 0.0, far_mm])
    return PosedCamera((), size_px, parameters, np.zeros((12, 12)), 0.0, ())


def is_covariance(camera: PosedCamera) -> bool:
    """Symmetric and positive definite: its root is triangular and finite, with a positive diagonal."""
    root = camera.covariance_root
    np.testing.assert_array_equal(camera.covariance, camera.covariance.T)
    np.testing.assert_array_equal(root, np.tril(root))
    return bool(np.isfinite(root).all() and (np.diag(root) > 0).all())


tilts = st.one_of(st.just(0.0), st.floats(-1e-6, 1e-6), st.floats(-40, 40))


@settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow])
@given(
    size_px=st.sampled_from(SIZES),
    focal35_mm=st.floats(22, 80),
    stated=st.booleans(),
    tilt_deg=st.tuples(tilts, tilts, st.one_of(st.just(0.0), st.just(90.0), st.floats(-180, 180))),
    far_mm=st.floats(400, 8000),
    sheets=st.sampled_from([1, 1, 2, 4]),
    apart_mm=st.floats(220, 700),
    noise_px=st.sampled_from([0.0, 0.02, 0.3]),
    surface=st.sampled_from(Surface),
    seed=st.integers(0, 1000),
)
def test_any_camera_is_found_with_a_covariance(
    size_px: tuple[int, int],
    focal35_mm: float,
    stated: bool,
    tilt_deg: tuple[float, float, float],
    far_mm: float,
    sheets: int,
    apart_mm: float,
    noise_px: float,
    surface: Surface,
    seed: int,
) -> None:
    camera = truth(size_px, focal35_mm, tilt_deg, far_mm)
    found = seen(camera, sheets, apart_mm, np.random.default_rng(seed), noise_px)
    assume(len(found) > 0 and found[0].layout.index == 1)
    solved = solve_camera(found, size_px, StatedLens(focal35_mm if stated else None), surface)
    assert is_covariance(solved)
    assert np.isfinite(solved.parameters).all()
    # the sheet's own middle is where it was seen, whatever else is unknown
    middle = solved.to_plane(camera.project([[0.0, 0.0, 0.0]]))[0]
    assert np.linalg.norm(middle) < 1.0 + 30 * noise_px


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 180.0, 37.0])
def test_a_tiny_sheet_seen_from_exactly_in_front(turn_deg: float) -> None:
    """The normal matrix's condition is about 1e13 here, and its inverse was not positive definite on some photos."""
    camera = truth((1600, 1200), 26.0, (0.0, 0.0, turn_deg), 5000.0)
    (sheet,) = seen(camera, 1, 0.0, np.random.default_rng(1), 0.0)
    solved = solve_camera([sheet], (1600, 1200), StatedLens(26.0), Surface.WALL)
    assert is_covariance(solved)
    # 2.5 % of the focal length is not told by the sheet, and the distance goes with it
    assert solved.focal_standard_uncertainty_px / solved.focal_px == pytest.approx(0.025, rel=0.03)
    distance_u = np.sqrt(solved.covariance[11, 11])
    assert distance_u / 5000 == pytest.approx(0.025, rel=0.05)


def test_the_root_is_of_the_inverse_normal_matrix() -> None:
    """On a well-conditioned camera the root gives what inverting the normal matrix gives (JCGM 100:2008, 5.2)."""
    from calibration.camera import adjustments

    camera = truth((1600, 1200), 26.0, (10.0, 25.0, 5.0), 700.0)
    sheets = seen(camera, 2, 250.0, np.random.default_rng(3), 0.05)
    solved = solve_camera(sheets, (1600, 1200), StatedLens(26.0), Surface.WALL)
    (problem,) = adjustments(tuple(sheets), (1600, 1200), StatedLens(26.0), Surface.WALL, {})
    found = problem.solve(min(problem.likely_starts(), key=lambda at: float((problem.residuals(at) ** 2).sum()))).x
    problem.judge_noise(found)
    numerical = np.empty((len(problem.residuals(found)), len(found)))
    least = np.append(np.full(problem.posed, 1e-2), np.ones(len(found) - problem.posed))
    for column, step in enumerate(1e-6 * np.maximum(np.abs(found), least)):
        shift = step * np.eye(len(found))[column]
        numerical[:, column] = (problem.residuals(found + shift) - problem.residuals(found - shift)) / (2 * step)
    scale = np.linalg.norm(numerical, axis=0)
    np.testing.assert_allclose(problem.jacobian(found) / scale, numerical / scale, atol=2e-6)
    inverse = np.linalg.inv((numerical / scale).T @ (numerical / scale)) / np.outer(scale, scale)
    # the sheets' planes are moved to the surface that their lowest corners touch
    moved = problem.on_surface(found, np.eye(len(found)))[1]
    expected = moved @ inverse @ moved.T
    spread = np.sqrt(np.diag(expected))
    # the noise was judged once more on the way: a few per cent of it
    np.testing.assert_allclose(
        solved.covariance / np.outer(spread, spread), expected / np.outer(spread, spread), atol=0.01
    )


def test_lenses_that_are_possible_too_widen_the_focal_length() -> None:
    """Without a stated lens the variance is the mean of the lenses' variances plus that between them."""
    camera = truth((1600, 1200), 26.0, (0.0, 0.0, 0.0), 6000.0)
    (sheet,) = seen(camera, 1, 0.0, np.random.default_rng(2), 0.0)
    solved = solve_camera([sheet], (1600, 1200), surface=Surface.TABLE)
    # the sheet tells no lens from another: 26 +- 3, 52 +- 5, 77 +- 8 mm in shares of 0.85, 0.11, 0.04, each times the
    # height of its density (26 / 3, 52 / 5, 77 / 8 in relative terms), so 0.828, 0.129, 0.043; about the main lens,
    # which is best, the variance is 0.828 * 3^2 + 0.129 * (5^2 + 26^2) + 0.043 * (8^2 + 51^2) = 212 mm2
    u_mm = solved.focal_standard_uncertainty_px * FRAME_DIAGONAL_MM / float(np.hypot(1600, 1200))
    assert solved.focal35_mm == pytest.approx(26.0, abs=2.0)
    assert u_mm == pytest.approx(np.sqrt(212), rel=0.03)
