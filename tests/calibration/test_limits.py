"""Where sheets begin to be called hidden, small, blurred or bent: just inside and just outside of each limit."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.camera import PosedCamera
from calibration.quality import MOST_BLUR_MM, SMALLEST_PX_PER_MM, sheet_problems
from calibration.sheet import FEWEST_GOOD_CORNERS, Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto


def sheet(index: int = 1, corners: int = 42, px_per_mm: float = 1.0, blur_px: float = 0.8) -> SheetInPhoto:
    way = np.diag([px_per_mm, px_per_mm, 1.0])
    layout = SheetLayout(Paper.A4, index)
    return SheetInPhoto(layout, np.arange(corners), np.zeros((corners, 2)), way, 0.05, blur_px)


def codes(*sheets: SheetInPhoto, bend_px: tuple[float, ...] = (0.05, 0.05)) -> list[str]:
    camera = PosedCamera(sheets, (2000, 1500), np.zeros(12), np.zeros((12, 12)), 0.0, bend_px[: len(sheets)])
    return [problem.code for problem in sheet_problems(camera)]


def test_a_good_sheet_has_no_problem() -> None:
    assert codes(sheet()) == []


def test_each_limit_from_both_sides() -> None:
    assert codes(sheet(corners=FEWEST_GOOD_CORNERS)) == []
    assert codes(sheet(corners=FEWEST_GOOD_CORNERS - 1)) == ["sheet_hidden"]
    assert FEWEST_GOOD_CORNERS == 12
    assert codes(sheet(px_per_mm=1.01 * SMALLEST_PX_PER_MM, blur_px=0.5)) == []
    assert codes(sheet(px_per_mm=0.99 * SMALLEST_PX_PER_MM, blur_px=0.5)) == ["sheet_too_small"]
    assert SMALLEST_PX_PER_MM == 0.3
    assert codes(sheet(px_per_mm=2.0, blur_px=1.99 * MOST_BLUR_MM)) == []
    assert codes(sheet(px_per_mm=2.0, blur_px=2.01 * MOST_BLUR_MM)) == ["sheet_blurred"]
    # the white between a marker and its neighbours is a module and more: 3.6 mm
    assert 2.0 < MOST_BLUR_MM < 0.11 * 33


@pytest.mark.parametrize(
    ("px_per_mm", "bend_px", "bent"),
    [(0.5, 0.149, False), (0.5, 0.151, True), (2.0, 0.39, False), (2.0, 0.41, True)],
)
def test_bent_beyond_a_pixel_s_share_or_a_fifth_of_a_millimetre(px_per_mm: float, bend_px: float, bent: bool) -> None:
    assert codes(sheet(px_per_mm=px_per_mm), bend_px=(bend_px,)) == (["sheet_bent"] if bent else [])


def test_one_good_sheet_is_enough_but_none_may_be_bent() -> None:
    assert codes(sheet(), sheet(2, corners=8, px_per_mm=0.2, blur_px=9.0)) == []
    assert codes(sheet(1, corners=8), sheet(2, corners=8)) == ["sheet_hidden"]
    assert codes(sheet(), sheet(2), bend_px=(0.05, 0.5)) == ["sheet_bent"]
    assert codes(sheet(), sheet(2), bend_px=(0.5, 0.05)) == ["sheet_bent"]
