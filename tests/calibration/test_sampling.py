"""Grey levels between pixels."""

from __future__ import annotations

import numpy as np

from calibration.sampling import grey_photo, sample


def test_a_slope_is_read_between_pixels() -> None:
    columns, rows = np.meshgrid(np.arange(60), np.arange(40))
    grey = (2 * columns + 3 * rows).astype(np.uint8)
    at = np.random.default_rng(1).uniform((0, 0), (50, 30), (500, 2))
    # OpenCV interpolates in steps of 1/32 px and rounds to whole levels
    np.testing.assert_allclose(sample(grey, at), at @ [2.0, 3.0], atol=0.6)


def test_more_points_than_opencv_takes_at_once() -> None:
    grey = np.arange(256, dtype=np.uint8).reshape(16, 16)
    at = np.tile([[3.0, 5.0], [15.0, 15.0]], (33000, 1))
    np.testing.assert_array_equal(sample(grey, at), np.tile([83.0, 255.0], 33000))


def test_points_of_any_shape_are_read_alike() -> None:
    grey = np.arange(35, dtype=np.uint8).reshape(5, 7)
    at = np.array([[[0, 0], [6, 0], [2, 1]], [[0, 4], [6, 4], [5, 3]]], float)
    np.testing.assert_array_equal(sample(grey, at), [[0, 6, 9], [28, 34, 26]])
    assert sample(grey, np.array([2.0, 1.0])) == 9


def test_outside_the_edge_repeats() -> None:
    grey = np.array([[10, 20], [30, 40]], np.uint8)
    np.testing.assert_array_equal(sample(grey, np.array([(-5.0, 0.0), (9.0, 9.0), (0.0, 7.0)])), [10, 40, 30])


def test_grey_of_colours() -> None:
    """Luma of ITU-R BT.601: 0.299, 0.587, 0.114."""
    colours = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255]]], np.uint8)
    np.testing.assert_array_equal(grey_photo(colours), [[76, 150, 29]])
    np.testing.assert_array_equal(grey_photo(colours[..., 1]), colours[..., 1])
