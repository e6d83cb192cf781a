"""The camera with the print's size checked: paper, bar and card together."""

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import Surface
from calibration.checked_camera import CheckedCamera, checked_camera
from calibration.detection import find_sheets
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from tests.calibration.pretend_photos import photograph, placed

LAYOUT = SheetLayout(Paper.A4, 1)


def photo(scale: float) -> NDArray[np.uint8]:
    return photograph([(LAYOUT, placed(LAYOUT, (450, 350), 1.1, 7, 0.02))], print_scale=scale)


def checked(image: NDArray[np.uint8], bar_mm: float | None = None) -> CheckedCamera:
    return checked_camera(image, find_sheets(image), 26.0, Surface.WALL, bar_mm)


def test_a_small_print_brings_the_camera_nearer() -> None:
    true, small = checked(photo(1.0)), checked(photo(0.95))
    assert true.remarks == ()
    assert [problem.code for problem in small.remarks] == ["print_scale"]
    assert small.prints["a4-1"].scale == pytest.approx(0.95, abs=0.01)
    # both patterns look equally large, so the smaller one is nearer
    assert small.camera.position_mm[2] == pytest.approx(0.95 * true.camera.position_mm[2], rel=0.01)


def test_a_measured_bar_confirms_or_contradicts_the_paper() -> None:
    image = photo(1.0)
    assert checked(image, 150.2).remarks == ()
    assert [problem.code for problem in checked(image, 145.0).remarks] == ["print_scale_disagrees"]


def test_a_bar_that_cannot_be_one_is_refused() -> None:
    with pytest.raises(Refused) as refused:
        checked(photo(1.0), 15.0)
    assert [problem.code for problem in refused.value.problems] == ["bar_length"]
