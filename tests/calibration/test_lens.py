"""What a photo's file says of the lens, and what is made of it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.checked_camera import checked_camera
from calibration.common_lens import View, solve_common_lens
from calibration.lens import NOTHING_STATED, Frame, StatedLens
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.test_any_camera import seen, truth
from tests.calibration.test_bends import length_and_u

SHARES = (0.9, 0.08, 0.02)
SENSOR, WIDE, SQUARE = (4000, 3000), (4000, 2250), (3000, 3000)


def middles(lens: StatedLens, size_px: tuple[int, int] = SENSOR) -> list[float]:
    return [each.focal35_mm for each in lens.possible(size_px, SHARES)]


def test_a_whole_frame_s_lens_is_the_one_that_is_stated() -> None:
    (only,) = StatedLens(26.0).possible(SENSOR, SHARES)
    assert (only.focal35_mm, only.sd_mm, only.share, only.centre_sd_share) == (26.0, 0.65, 1.0, 0.01)
    assert middles(StatedLens(26.0), (3024, 4032)) == [26.0]
    assert middles(StatedLens(26.0), (4080, 3072)) == [26.0]  # 1.328, as some save 4:3


def test_a_wide_or_square_frame_may_be_cut_from_the_sensor_s() -> None:
    """By Pythagoras: 4000 x 2250 of 4000 x 3000 has a diagonal of 4589 of 5000 px; 3000 x 3000 one of 4243."""
    assert middles(StatedLens(26.0), WIDE) == pytest.approx([26.0, 26 * 5000 / 4589.4], rel=1e-4)
    assert middles(StatedLens(26.0), (2250, 4000)) == middles(StatedLens(26.0), WIDE)
    assert middles(StatedLens(26.0), SQUARE) == pytest.approx([26.0, 26 * 5000 / 4242.6], rel=1e-4)
    assert [each.share for each in StatedLens(26.0).possible(WIDE, SHARES)] == [0.5, 0.5]


def test_a_zoom_is_in_the_number_or_is_not() -> None:
    assert middles(StatedLens(26.0, zoom=2.0)) == [26.0, 52.0]
    assert len(middles(StatedLens(26.0, zoom=1.5), WIDE)) == 4
    assert not StatedLens(26.0, zoom=1.005).zoomed
    assert StatedLens(26.0, zoom=1.1).zoomed


def test_of_a_part_of_a_frame_little_is_known() -> None:
    (cut,) = StatedLens(26.0, Frame.CUT).possible(SENSOR, SHARES)
    assert cut.focal35_mm == pytest.approx(36.4)
    assert cut.sd_mm == pytest.approx(36.4 * np.hypot(0.025, 0.25))
    assert cut.centre_sd_share == 0.12
    (nothing,) = StatedLens(None, Frame.CUT).possible(SENSOR, SHARES)
    assert nothing.focal35_mm == pytest.approx(36.4)
    assert nothing.sd_mm == pytest.approx(36.4 * np.hypot(3 / 26, 0.25))


def test_how_far_a_lens_is_from_what_is_stated() -> None:
    assert NOTHING_STATED.misfit(90.0, SENSOR) == 0.0
    assert StatedLens(26.0).misfit(27.3, SENSOR) == pytest.approx(2.0)
    assert StatedLens(26.0).misfit(24.7, SENSOR) == pytest.approx(-2.0)
    assert StatedLens(26.0, zoom=2.0).misfit(53.3, SENSOR) == pytest.approx(1.0)


def cut_out(camera: PosedCamera, left_px: int, top_px: int, size_px: tuple[int, int]) -> PosedCamera:
    """The camera of a part of its frame."""
    parameters = camera.parameters.copy()
    parameters[1:3] -= [left_px, top_px]
    return replace(camera, parameters=parameters, image_size_px=size_px)


def pictures(seed: int) -> tuple[PosedCamera, list[SheetInPhoto], tuple[int, int]]:
    """A camera 2 m before a wall and seven tenths of its frame, with a sheet in it."""
    rng = np.random.default_rng(seed)
    whole = truth(SENSOR, 26.0, (rng.normal(0, 6), rng.normal(0, 10), 3.0), 2000.0)
    size_px = (2812, 2109)
    cut = cut_out(whole, int(rng.integers(0, 800)), int(rng.integers(0, 600)), size_px)
    return cut, seen(cut, 1, 0.0, rng, 0.05), size_px


def height_errors(lens: StatedLens) -> tuple[list[float], list[bool]]:
    """Relative errors of a length of half a metre, 100 mm before the wall, and whether its interval holds it."""
    errors, held = [], []
    for seed in range(30):
        camera, sheets, size_px = pictures(seed)
        if not sheets:
            continue
        ends = np.array([[-100.0, 60.0, 100.0], [400.0, 60.0, 100.0]])
        length, u = length_and_u(solve_camera(sheets, size_px, lens, Surface.WALL), camera.project(ends), 100.0)
        errors.append(length / 500 - 1)
        held.append(abs(length - 500) < 2 * u)
    return errors, held


def test_what_lies_before_the_sheet_is_right_in_a_picture_that_is_known_to_be_cut() -> None:
    """Believed to be whole it makes what is 100 mm before the wall 1.5 % too short; known to be cut, it does not."""
    believed, held = height_errors(StatedLens(26.0))
    assert np.mean(believed) < -0.01
    assert np.mean(held) < 0.5
    known, held = height_errors(StatedLens(26.0, Frame.CUT))
    assert abs(np.mean(known)) < 0.005
    assert np.mean(held) >= 0.95


def test_the_sheets_contradict_a_frame_that_is_not_whole() -> None:
    """A whole frame is believed; most parts of one are not, and what is made of them says so."""
    rng = np.random.default_rng(4)
    doubts = []
    for seed in range(20):
        _, sheets, size_px = pictures(seed)
        if sheets:
            doubts.append(solve_camera(sheets, size_px, StatedLens(26.0), Surface.WALL).disbelief)
    assert np.mean(np.array(doubts) > 18.5) > 0.6
    for _ in range(20):
        whole = truth(SENSOR, rng.normal(26, 0.5), (rng.normal(0, 8), rng.normal(0, 10), 3.0), 2000.0)
        assert solve_camera(seen(whole, 1, 0.0, rng, 0.05), SENSOR, StatedLens(26.0), Surface.WALL).disbelief < 12


def test_a_disbelieved_frame_is_measured_as_a_part_of_one_and_said_to_be() -> None:
    blank = np.full((2109, 2812, 3), 128, np.uint8)
    told = []
    for seed in range(12):
        _, sheets, size_px = pictures(seed)
        assert (size_px[1], size_px[0]) == blank.shape[:2]
        if not sheets:
            continue
        found = checked_camera(blank, sheets, StatedLens(26.0), Surface.WALL)
        told.append(found.camera.lens.frame is Frame.CUT)
        assert [remark.code for remark in found.remarks] == (["photo_cut"] if told[-1] else [])
        film = checked_camera(blank, sheets, StatedLens(film=True), Surface.WALL)
        assert film.camera.lens == StatedLens(film=True)  # its frames are cut anew, and that is allowed for
        zoomed = checked_camera(blank, sheets, StatedLens(26.0, zoom=1.4), Surface.WALL)
        assert [remark.code for remark in zoomed.remarks] == ["photo_cut"]
    assert np.mean(told) > 0.5


def two_sheets(beyond_mm: float, tilt_deg: float) -> list[SheetInPhoto]:
    """Two sheets half a metre apart, the second one beyond the first one's plane or tilted against it."""
    camera = truth(SENSOR, 26.0, (6.0, -12.0, 2.0), 2100.0)
    turn = cv2.Rodrigues(np.array([0.0, np.radians(tilt_deg), 0.0]))[0]
    rng = np.random.default_rng(1)
    sheets = []
    for index in (1, 2):
        layout = SheetLayout(Paper.A4, index)
        points = layout.corner_mm if index == 1 else layout.corner_mm @ turn.T + [500.0, 20.0, beyond_mm]
        corners = camera.project(points) + rng.normal(0, 0.05, (42, 2))
        sheets.append(SheetInPhoto(layout, np.arange(42), corners, np.eye(3), 0.1, 0.8))
    return sheets


@pytest.mark.parametrize(("beyond_mm", "tilt_deg"), [(80.0, 0.0), (0.0, 12.0)])
def test_sheets_on_two_walls_are_refused(beyond_mm: float, tilt_deg: float) -> None:
    grey = np.full((SENSOR[1], SENSOR[0], 3), 128, np.uint8)
    assert checked_camera(grey, two_sheets(0.0, 0.0), StatedLens(26.0), Surface.WALL).remarks == ()
    with pytest.raises(Refused, match="sheets_apart"):
        checked_camera(grey, two_sheets(beyond_mm, tilt_deg), StatedLens(26.0), Surface.WALL)


def test_a_frame_of_which_a_part_is_known_shares_its_lens_with_no_other() -> None:
    camera, sheets, size_px = pictures(1)
    lens = StatedLens(26.0, Frame.CUT)
    alike = [View(tuple(sheets), size_px, lens)] * 2
    found = solve_common_lens(alike, Surface.WALL)
    assert (found.roots[0] @ found.roots[1].T == 0).all()
    whole = solve_common_lens([replace(view, lens=StatedLens(26.0)) for view in alike], Surface.WALL)
    assert np.abs(whole.roots[0] @ whole.roots[1].T).max() > 0
    assert camera.image_size_px == size_px


def test_a_focal_length_that_is_too_long_is_forgotten() -> None:
    """As of another lens of the phone: a cut makes a lens look longer, and this one looks shorter than is stated."""
    blank = np.full((SENSOR[1], SENSOR[0], 3), 128, np.uint8)
    ends = np.array([[-100.0, 60.0, 100.0], [400.0, 60.0, 100.0]])
    for seed in range(6):
        rng = np.random.default_rng(seed)
        camera = truth(SENSOR, 26.0, (rng.normal(12, 3), rng.normal(-18, 4), 3.0), 2000.0)
        found = checked_camera(blank, seen(camera, 1, 0.0, rng, 0.05), StatedLens(77.0), Surface.WALL)
        assert found.camera.lens == NOTHING_STATED
        assert not found.remarks
        length, u = length_and_u(found.camera, camera.project(ends), 100.0)
        assert abs(length - 500) < 2 * u
        assert u < 5


@pytest.mark.parametrize("seed", [37, 82, 101])
def test_a_cut_far_from_the_middle_is_a_cut_though_its_lens_looks_short(seed: int) -> None:
    _, sheets, size_px = pictures(seed)
    found = checked_camera(np.full((size_px[1], size_px[0], 3), 128, np.uint8), sheets, StatedLens(26.0), Surface.WALL)
    assert found.camera.lens == StatedLens(26.0, Frame.CUT)
