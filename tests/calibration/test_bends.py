"""Sheets of paper that are not flat: their bends are measured, and lengths beside them stay right.

Independently: OpenCV draws the corners of bent sheets; a length beside the sheet is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.common_lens import View, solve_common_lens
from calibration.lens import StatedLens
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_bends import bends_of
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.bent_paper import SHAPES
from tests.calibration.test_any_camera import truth

Array = NDArray[np.float64]
SIZE = (4000, 3000)
LAYOUT = SheetLayout(Paper.A4, 1)
STATED = StatedLens(26.0)
NOISE_PX = 0.08


@dataclass(frozen=True)
class Place:
    """Where a camera stands, mm, how far it tilts, and how long and how high over the surface what is measured is."""

    surface: Surface
    far_mm: tuple[float, float]
    tilt_deg: float
    height_mm: float
    length_mm: float


WALL = Place(Surface.WALL, (1800, 2800), 6, 100, 500)
TABLE = Place(Surface.TABLE, (700, 1300), 12, 32, 300)


def camera_at(place: Place, rng: np.random.Generator) -> PosedCamera:
    """A camera as the priors say, with the sheet off the middle of what it sees."""
    far_mm = rng.uniform(*place.far_mm)
    tilt = (rng.normal(0, place.tilt_deg), rng.normal(0, place.tilt_deg), rng.choice([0, 90]) + rng.normal(0, 4))
    camera = truth(SIZE, 26 * (1 + rng.normal(0, 0.02)), tilt, far_mm)
    parameters = camera.parameters.copy()
    parameters[1:3] += rng.normal(0, 0.005 * SIZE[0], 2)
    parameters[3] = rng.normal(0, 0.01)
    parameters[9:11] += rng.uniform(-1, 1, 2) * [0.3, 0.2] * far_mm
    return replace(camera, parameters=parameters)


def bent(
    camera: PosedCamera, shape: str, by_mm: float, rng: np.random.Generator, angle: float | None = None
) -> SheetInPhoto:
    """What is seen of a sheet that bends by so much along some direction, its lowest part on the surface."""
    points = LAYOUT.corner_mm.copy()
    angle = rng.uniform(0, np.pi) if angle is None else angle
    along = (points[:, :2] - points[:, :2].mean(axis=0)) @ [np.cos(angle), np.sin(angle)]
    points[:, 2] += by_mm * SHAPES[shape](along / np.abs(along).max())
    corners = camera.project(points) + rng.normal(0, NOISE_PX, (len(points), 2))
    return SheetInPhoto(LAYOUT, np.arange(len(points)), corners, np.eye(3), 0.1, 0.9)


def length_and_u(camera: PosedCamera, ends_px: Array, height_mm: float) -> tuple[float, float]:
    """A length over the surface and its standard uncertainty by the camera, mm."""

    def length(parameters: Array) -> float:
        first, second = camera.with_parameters(parameters).to_plane(ends_px, height_mm)
        return float(np.linalg.norm(first - second))

    middle = length(camera.parameters)
    steps = [length(camera.parameters + column) - middle for column in camera.covariance_root.T]
    return middle, float(np.linalg.norm(steps))


def errors(place: Place, shape: str, by_mm: float, times: int = 60) -> tuple[Array, Array]:
    """Errors of lengths beside bent sheets, mm, and the same over their standard uncertainties."""
    rng = np.random.default_rng(11)
    found = []
    while len(found) < times:
        camera = camera_at(place, rng)
        sheet = bent(camera, shape, by_mm, rng)
        middle = camera.to_plane([[0.55 * SIZE[0], 0.5 * SIZE[1]]], place.height_mm)[0]
        half = 0.5 * place.length_mm * np.array([1.0, 0.0, 0.0])
        ends_px = camera.project(np.array([middle - half, middle + half]))
        every = np.vstack([sheet.corner_px, ends_px])
        if (every < 0).any() or (every > SIZE).any():
            continue
        length, u = length_and_u(solve_camera([sheet], SIZE, STATED, place.surface), ends_px, place.height_mm)
        found.append((length - place.length_mm, (length - place.length_mm) / u))
    error, deviations = np.array(found).T
    return error, deviations


@pytest.mark.parametrize("place", [WALL, TABLE], ids=["wall", "table"])
@pytest.mark.parametrize(("shape", "by_mm"), [("bow", 1.5), ("bow", 8), ("curl", 1.5), ("curl", 5), ("fold", 4)])
def test_lengths_beside_a_bent_sheet_stay_right(place: Place, shape: str, by_mm: float) -> None:
    error, deviations = errors(place, shape, by_mm)
    flat, _ = errors(place, shape, 0.0)
    assert abs(np.mean(error)) < 0.0012 * place.length_mm
    assert np.percentile(np.abs(error), 95) < 1.6 * np.percentile(np.abs(flat), 95)
    assert np.mean(np.abs(deviations) < 2) > 0.9


@pytest.mark.parametrize("place", [WALL, TABLE], ids=["wall", "table"])
def test_a_flat_sheet_s_lengths_are_as_sure_as_they_are_said_to_be(place: Place) -> None:
    _, deviations = errors(place, "bow", 0.0)
    assert 0.9 < np.mean(np.abs(deviations) < 2) <= 1.0
    assert 0.5 < np.std(deviations) < 1.3


def test_a_lifted_corner_is_hardly_worse() -> None:
    error, _ = errors(TABLE, "corner", 5.0)
    assert np.percentile(np.abs(error), 95) < 0.006 * TABLE.length_mm


def test_how_far_a_sheet_bows_is_told() -> None:
    rng = np.random.default_rng(5)
    for shape, by_mm in (("bow", 0.0), ("bow", 4.0), ("curl", 8.0)):
        cameras = [camera_at(TABLE, rng) for _ in range(12)]
        sheets = [bent(camera, shape, by_mm, rng) for camera in cameras]
        told = [solve_camera([sheet], SIZE, STATED, Surface.TABLE).bow_mm[0] for sheet in sheets]
        assert np.median(told) == pytest.approx(by_mm, abs=0.6 + 0.2 * by_mm)


def test_bends_are_no_planes_and_are_those_of_the_whole_board() -> None:
    """Against numpy's least squares; of corners that are hidden the others' bends do not depend."""
    rng = np.random.default_rng(2)
    sheet = bent(camera_at(TABLE, rng), "bow", 0.0, rng)
    bends = bends_of(sheet)
    plane = np.column_stack([np.ones(42), LAYOUT.corner_mm[:, :2]])
    assert bends.shape == (42, 7)
    assert np.abs(plane.T @ bends).max() < 1e-9
    x, y = ((LAYOUT.corner_mm[:, :2] - LAYOUT.corner_mm[:, :2].mean(axis=0)) / 105).T
    for power in (x**2, x * y, y**2, x**3, y**3):
        left = (
            power
            - np.column_stack([plane, bends]) @ np.linalg.lstsq(np.column_stack([plane, bends]), power, rcond=None)[0]
        )
        assert np.abs(left).max() < 1e-9
    some = replace(sheet, corner_index=np.arange(5, 30), corner_px=sheet.corner_px[5:30])
    np.testing.assert_array_equal(bends_of(some), bends[5:30])


def test_views_of_one_bent_sheet_share_its_bends() -> None:
    """Two views tell the bow better than one, and the places of both cameras in one frame are right."""
    rng = np.random.default_rng(8)
    apart = []
    for _ in range(12):
        cameras = [camera_at(TABLE, rng) for _ in range(2)]
        angle = rng.uniform(0, np.pi)
        sheets = [bent(camera, "curl", 4.0, rng, angle) for camera in cameras]
        lens = solve_common_lens([View((sheet,), SIZE, STATED) for sheet in sheets], Surface.TABLE)
        for found, camera in zip(lens.cameras, cameras, strict=True):
            u_mm = float(np.sqrt(np.trace(found.covariance[9:12, 9:12])))
            apart.append(float(np.linalg.norm(found.position_mm - camera.position_mm)) / u_mm)
        assert lens.cameras[0].bow_mm == lens.cameras[1].bow_mm
        assert lens.cameras[0].bow_mm[0] == pytest.approx(4.0, abs=1.2)
    assert np.mean(np.array(apart) < 2.5) > 0.85
