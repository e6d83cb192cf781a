"""The camera with the print's size checked: paper, bar and card together."""

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import Surface
from calibration.checked_camera import CheckedCamera, checked_camera
from calibration.detection import find_sheets
from calibration.lens import StatedLens
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from tests.calibration.pretend_photos import photograph, placed

LAYOUT = SheetLayout(Paper.A4, 1)


def photo(scale: float) -> NDArray[np.uint8]:
    return photograph([(LAYOUT, placed(LAYOUT, (450, 350), 1.1, 7, 0.02))], print_scale=scale)


def checked(image: NDArray[np.uint8], bar_mm: float | None = None) -> CheckedCamera:
    return checked_camera(image, find_sheets(image), StatedLens(26.0), Surface.WALL, bar_mm)


def test_a_print_that_the_bar_shows_to_be_small_brings_the_camera_nearer() -> None:
    true, small = checked(photo(1.0)), checked(photo(0.95), 142.5)
    assert true.camera.image_size_px == photo(1.0).shape[1::-1]
    assert true.remarks == ()
    assert [problem.code for problem in small.remarks] == ["print_scale"]
    assert small.prints["a4-1"].scale == pytest.approx(0.95)
    whole = checked(photo(0.95), 0.95 * LAYOUT.print_height_mm)
    assert [problem.code for problem in whole.remarks] == ["print_scale"]
    assert whole.prints["a4-1"].scale == pytest.approx(0.95)
    assert whole.prints["a4-1"].standard_uncertainty < small.prints["a4-1"].standard_uncertainty
    # both patterns look equally large, so the smaller one is nearer
    assert small.camera.position_mm[2] == pytest.approx(0.95 * true.camera.position_mm[2], rel=0.005)


def test_the_paper_s_edges_alone_move_nothing_but_ask_for_the_bar() -> None:
    true, small = checked(photo(1.0)), checked(photo(0.95))
    assert [problem.code for problem in small.remarks] == ["print_scale_unsure"]
    assert small.camera.position_mm[2] == pytest.approx(true.camera.position_mm[2], rel=0.005)
    assert small.prints["a4-1"].contribution(450.0, "a4-1").contribution_mm > 0.025 * 450
    assert true.prints["a4-1"].contribution(450.0, "a4-1").contribution_mm == pytest.approx(0.0017 * 450)


def test_a_measured_bar_confirms_or_contradicts_the_paper() -> None:
    image = photo(1.0)
    assert checked(image, 150.2).remarks == ()
    assert [problem.code for problem in checked(image, 145.0).remarks] == ["print_scale_disagrees"]


def test_a_bar_that_cannot_be_one_is_refused() -> None:
    with pytest.raises(Refused) as refused:
        checked(photo(1.0), 15.0)
    assert [problem.code for problem in refused.value.problems] == ["bar_length"]
