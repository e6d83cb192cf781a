"""Saddle points on real photos of a chessboard with published calibration."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

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
