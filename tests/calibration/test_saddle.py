"""Saddle points of exact blurred crossings, and on real photos of a chessboard with published calibration."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.saddle import fit_saddles

COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
PUBLISHED_FOCAL_PX = (
    535.92  # left_intrinsics.yml of OpenCV's samples, at 0.393 px misfit; a re-fit gives 532.8 at 0.196
)


def test_real_chessboard_is_fitted_as_well_as_published(shared: Path) -> None:
    photos = sorted((shared / "real_boards" / "opencv_chess_stereo").glob("left*.jpg"))
    if len(photos) < 10:
        pytest.skip("no real photos of a chessboard in the shared folder")
    board = np.zeros((ROWS * COLUMNS, 3), np.float32)
    board[:, :2] = SQUARE_MM * np.mgrid[:COLUMNS, :ROWS].T.reshape(-1, 2)
    corners = []
    for photo in photos:
        grey = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)
        found, rough = cv2.findChessboardCorners(grey, (COLUMNS, ROWS))
        if not found:
            continue
        start = rough.reshape(-1, 2).astype(np.float64)
        grid = start.reshape(ROWS, COLUMNS, 2)
        edges = np.stack([np.gradient(grid, axis=1), np.gradient(grid, axis=0)], axis=2).reshape(-1, 2, 2)
        corners.append(fit_saddles(grey, start, edges, 6.0).place_px.astype(np.float32))
    assert len(corners) >= 12
    misfit_px, matrix, *_ = cv2.calibrateCamera([board] * len(corners), corners, grey.shape[::-1], None, None)
    assert misfit_px < 0.2
    assert matrix[0, 0] == pytest.approx(PUBLISHED_FOCAL_PX, rel=0.01)


def _crossing(
    place_px: tuple[float, float], angles_deg: tuple[float, float], blur_px: float, levels: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two blurred edges at these angles that cross at a place: grey levels (31, 31), and the edges' directions."""
    columns, rows = np.meshgrid(np.arange(31.0), np.arange(31.0))
    along_x, along_y = (np.array([np.cos(a), np.sin(a)]) for a in np.radians(angles_deg))
    across = []
    for edge, towards in ((along_y, along_x), (along_x, along_y)):
        normal = np.array([-edge[1], edge[0]])
        normal *= np.sign(normal @ towards)
        distance = (columns - place_px[0]) * normal[0] + (rows - place_px[1]) * normal[1]
        across.append(2 * ndtr(distance / blur_px) - 1)
    middle, swing = levels
    return middle + swing * across[0] * across[1], np.stack([along_x, along_y])[None]


@pytest.mark.parametrize("angles_deg", [(0.0, -90.0), (20.0, -60.0), (-35.0, 75.0)])
@pytest.mark.parametrize("blur_px", [0.6, 0.9, 1.8])
@pytest.mark.parametrize("swing", [70.0, -70.0])
def test_a_blurred_crossing_is_placed_exactly(angles_deg: tuple[float, float], blur_px: float, swing: float) -> None:
    place = (15.3, 14.6)
    picture, edges = _crossing(place, angles_deg, blur_px, (120.0, swing))
    found = fit_saddles(np.round(picture).astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0)
    np.testing.assert_allclose(found.place_px[0], place, atol=0.01)
    assert found.swing[0] == pytest.approx(swing, rel=0.03)
    assert found.blur_px[0] == pytest.approx(blur_px, rel=0.03)
    assert found.misfit[0] < 0.02


def test_rounding_and_noise_shift_a_crossing_as_theory_says() -> None:
    """Cramer and Rao's bound for the model; the weights, which waste the window's rim, cost up to a half more."""
    generator = np.random.default_rng(7)
    picture, edges = _crossing((15.2, 15.1), (10.0, -80.0), 1.0, (120.0, 60.0))
    moved, _ = _crossing((15.2001, 15.1), (10.0, -80.0), 1.0, (120.0, 60.0))
    slope = (moved - picture) / 1e-4
    columns, rows = np.meshgrid(np.arange(31.0) - 15.2, np.arange(31.0) - 15.1)
    near = np.hypot(columns, rows) < 6
    bound = 4.0 / np.sqrt((slope[near] ** 2).sum())
    places = []
    for _ in range(60):
        noisy = np.clip(picture + generator.normal(0, 4.0, picture.shape), 0, 255).astype(np.uint8)
        places.append(fit_saddles(noisy, np.array([[15.0, 15.0]]), edges, 6.0).place_px[0])
    scatter = np.std(places, axis=0).mean()
    assert bound < scatter * 1.15
    assert scatter < 1.6 * bound


def test_a_start_a_pixel_off_is_made_good() -> None:
    picture, edges = _crossing((15.4, 14.7), (0.0, -90.0), 0.8, (120.0, 80.0))
    for start in ((14.4, 14.2), (16.0, 15.5)):
        found = fit_saddles(np.round(picture).astype(np.uint8), np.array([start]), edges, 5.0)
        np.testing.assert_allclose(found.place_px[0], (15.4, 14.7), atol=0.01)


def test_exposure_does_not_shift_a_crossing() -> None:
    """Paper burnt out and black crushed, as by a tone curve: edges move, the saddle point stays."""
    picture, edges = _crossing((15.3, 14.6), (5.0, -85.0), 1.0, (160.0, 140.0))
    found = fit_saddles(np.clip(picture, 30, 235).astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0)
    np.testing.assert_allclose(found.place_px[0], (15.3, 14.6), atol=0.02)


def test_where_nothing_is_seen_the_blur_is_the_usual_one_and_stays_in_bounds() -> None:
    flat = np.full((31, 31), 128, np.uint8)
    found = fit_saddles(flat, np.array([[15.0, 15.0]]), np.array([[[1.0, 0.0], [0.0, -1.0]]]), 6.0)
    assert found.blur_px[0] == pytest.approx(0.9, rel=0.01)
    assert found.swing[0] == pytest.approx(0.0, abs=1e-6)
    sharp = np.where(_crossing((15.5, 15.5), (0.0, -90.0), 1.0, (120.0, 90.0))[0] > 120, 210, 30).astype(np.uint8)
    _, edges = _crossing((15.5, 15.5), (0.0, -90.0), 1.0, (120.0, 90.0))
    found = fit_saddles(sharp, np.array([[15.0, 15.0]]), edges, 6.0)
    np.testing.assert_allclose(found.place_px[0], (15.5, 15.5), atol=0.02)
    assert found.blur_px[0] == pytest.approx(0.35, rel=0.05)


def test_a_covered_crossing_fits_badly() -> None:
    picture, edges = _crossing((15.0, 15.0), (0.0, -90.0), 0.8, (120.0, 80.0))
    picture[16:] = 90.0
    assert fit_saddles(picture.astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0).misfit[0] > 0.25


def test_a_misfit_is_relative_to_the_swing() -> None:
    """The same picture, pale and ten times as strong, misfits alike; one of hardly any swing is not divided by it."""
    level, edges = _crossing((15.2, 14.7), (10.0, -75.0), 0.9, (0.0, 1.0))
    disturbed = level + np.random.default_rng(1).normal(0, 0.1, level.shape)
    pale, strong, none = (
        fit_saddles(128 + swing * disturbed, np.array([[15.0, 15.0]]), edges, 6.0) for swing in (1.5, 15.0, 0.1)
    )
    assert pale.misfit == pytest.approx(strong.misfit, rel=1e-3)
    assert none.misfit == pytest.approx(0.1 * strong.misfit * np.abs(strong.swing) / 15.0, rel=0.05)
