"""Homographies, checked against OpenCV and against points that were put elsewhere."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.homography import apply_homography, fit_homography, fit_plane, signed_area

WAY = np.array([[1.1, 0.2, 300.0], [-0.15, 0.9, 200.0], [2e-4, -3e-4, 1.0]])
GRID = np.array([(30.0 * column, 30.0 * row) for row in range(7) for column in range(6)])


def test_points_are_taken_as_opencv_takes_them() -> None:
    theirs = cv2.perspectiveTransform(GRID.reshape(-1, 1, 2), WAY).reshape(-1, 2)
    np.testing.assert_allclose(apply_homography(WAY, GRID), theirs, atol=1e-9)


@pytest.mark.parametrize("count", [4, 5, 42])
def test_a_homography_is_found_through_points(count: int) -> None:
    which = [0, 5, 36, 41, 20][:count] if count < 42 else list(range(42))
    found = fit_homography(GRID[which], apply_homography(WAY, GRID[which]))
    np.testing.assert_allclose(apply_homography(found, GRID), apply_homography(WAY, GRID), atol=2e-3)


def test_points_on_a_line_lead_out_of_the_photo() -> None:
    line = np.column_stack([np.arange(6.0), np.zeros(6)])
    found = apply_homography(fit_homography(line, np.zeros((6, 2))), np.array([[3.0, 2.0]]))
    np.testing.assert_array_equal(found, [[-1e6, -1e6]])
    np.testing.assert_array_equal(fit_homography(GRID[:6], GRID[:6]), [[0, 0, -1e6], [0, 0, -1e6], [0, 0, 1]])


def test_points_of_any_shape_are_taken_alike() -> None:
    grid = GRID.reshape(7, 3, 2, 2)
    np.testing.assert_array_equal(apply_homography(WAY, grid), apply_homography(WAY, GRID).reshape(grid.shape))


def test_five_points_are_fitted_by_least_squares() -> None:
    """As OpenCV does it without any choice between them; four points leave nothing to choose."""
    px = apply_homography(WAY, GRID[[0, 5, 36, 41, 20]])
    px += [(0, 0), (3, 1), (0, -2), (1, 1), (-2, 0)]
    np.testing.assert_allclose(
        fit_homography(GRID[[0, 5, 36, 41, 20]], px), cv2.findHomography(GRID[[0, 5, 36, 41, 20]], px)[0]
    )
    np.testing.assert_allclose(
        apply_homography(fit_homography(GRID[[0, 5, 36, 41]], px[:4]), GRID[[0, 5, 36, 41]]), px[:4], atol=1e-3
    )


@pytest.mark.parametrize(("off_px", "kept"), [(0.33, True), (0.38, False)])
def test_a_third_of_a_pixel_off_the_plane_is_on_it(off_px: float, kept: bool) -> None:
    seen = apply_homography(WAY, GRID)
    seen[13, 1] += off_px
    _, on_plane = fit_plane(GRID, seen)
    assert list(np.flatnonzero(~on_plane)) == ([] if kept else [13])


@pytest.mark.parametrize(("medians", "kept"), [(4.6, True), (5.4, False)])
def test_a_point_of_a_scattered_sheet_is_judged_by_the_median(medians: float, kept: bool) -> None:
    """Every point but one is 0.2 px off in its own direction, which no homography takes up."""
    angles = np.random.default_rng(2).uniform(0, 2 * np.pi, 42)
    shift = 0.2 * np.column_stack([np.cos(angles), np.sin(angles)])
    exact = apply_homography(WAY, GRID)
    least = cv2.findHomography(GRID, exact + shift, cv2.LMEDS)[0]
    median = np.median(np.linalg.norm(apply_homography(least, GRID) - exact - shift, axis=1))
    seen = exact + shift
    seen[20] = apply_homography(least, GRID)[20] + (medians * median, 0)
    homography, on_plane = fit_plane(GRID, seen)
    assert on_plane[20] == kept
    np.testing.assert_allclose(homography, cv2.findHomography(GRID[on_plane], seen[on_plane])[0])


@pytest.mark.parametrize("elsewhere", [0, 1, 12, 17])
def test_points_that_lie_elsewhere_are_found_out(elsewhere: int) -> None:
    """Up to two fifths of them, by 0.5 px and more; those within a third of a pixel stay."""
    generator = np.random.default_rng(elsewhere)
    seen = apply_homography(WAY, GRID) + generator.normal(0, 0.01, GRID.shape)
    wrong = generator.choice(42, elsewhere, replace=False)
    angles = generator.uniform(0, 2 * np.pi, elsewhere)
    seen[wrong] += np.column_stack([np.cos(angles), np.sin(angles)]) * generator.uniform(0.5, 9, (elsewhere, 1))
    found, on_plane = fit_plane(GRID, seen)
    assert set(np.flatnonzero(~on_plane)) == set(wrong)
    np.testing.assert_allclose(apply_homography(found, GRID), apply_homography(WAY, GRID), atol=0.03)


def test_noise_is_not_taken_for_points_elsewhere() -> None:
    """On tiny sheets points scatter by half a pixel; five medians keep them."""
    seen = apply_homography(WAY, GRID) + np.random.default_rng(5).normal(0, 0.5, GRID.shape)
    found, on_plane = fit_plane(GRID, seen)
    assert on_plane.sum() >= 41
    assert np.abs(apply_homography(found, GRID) - apply_homography(WAY, GRID)).max() < 0.8


def test_too_few_agreeing_points_are_all_kept() -> None:
    """Of seven points, of which five agree, none is left out: five are too few to trust, and six are enough."""
    which = [0, 5, 36, 41, 20, 15, 9]
    seen = apply_homography(WAY, GRID[which])
    seen[5:] += [(40.0, 5.0), (-3.0, 50.0)]
    _, on_plane = fit_plane(GRID[which], seen)
    assert on_plane.all()
    seen = apply_homography(WAY, GRID[which])
    seen[6] += (40.0, 5.0)
    _, on_plane = fit_plane(GRID[which], seen)
    assert list(np.flatnonzero(~on_plane)) == [6]


def test_points_that_are_one_point_have_no_plane() -> None:
    _, on_plane = fit_plane(GRID[:8], np.zeros((8, 2)))
    assert on_plane.all()


def test_area_is_signed() -> None:
    """Triangle by half base times height; the sign turns with the way round."""
    triangle = np.array([(1.0, 1.0), (5.0, 1.0), (2.0, 4.0)])
    assert signed_area(triangle) == pytest.approx(6.0)
    assert signed_area(triangle[::-1]) == pytest.approx(-6.0)
    assert signed_area(triangle) == pytest.approx(cv2.contourArea(triangle.astype(np.float32)))
