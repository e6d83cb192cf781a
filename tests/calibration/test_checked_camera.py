"""The camera with the print's size checked: paper, bar and card together."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import Surface
from calibration.checked_camera import CheckedCamera, checked_camera
from calibration.detection import find_sheets
from calibration.homography import apply_homography
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


def refusal(image: NDArray[np.uint8], bar_mm: float | None = None) -> list[str]:
    try:
        checked(image, bar_mm)
    except Refused as refused:
        return [problem.code for problem in refused.problems]
    return []


@pytest.mark.parametrize("scale", [0.5, 0.6, 0.707, 0.8, 0.84])
def test_a_sheet_that_was_printed_much_too_small_is_refused(scale: float) -> None:
    """White paper reaches far beyond the page; arms and bodies came out 20 to 100 % too long, without a word."""
    assert refusal(photo(scale)) == ["printed_small"]
    assert refusal(photo(1.0)) == []
    if scale > 0.8:
        assert checked(photo(scale), scale * 150).prints["a4-1"].scale == pytest.approx(scale, abs=0.01)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_page_that_was_printed_beside_an_empty_one_is_refused(side: int) -> None:
    """Two pages on one paper have a page's proportions each (ISO 216), and three edges where they should be."""
    way = placed(LAYOUT, (500, 350), 1.0, 2, 0.01)
    image = photograph([(LAYOUT, way)], size_px=(1000, 700))
    page = LAYOUT.page
    beside = np.array([[x, y] for x, y in ((0, page.top), (315, page.top), (315, page.bottom), (0, page.bottom))])
    plain = image.copy()
    strip = apply_homography(way, beside * [side, 1])
    covered = cv2.fillConvexPoly(np.zeros(image.shape[:2], np.uint8), np.round(strip).astype(np.int32), 1)
    grain = np.random.default_rng(1).normal(235, 2, image.shape[:2]).clip(0, 255).astype(np.uint8)
    image = np.where(covered[..., None] > 0, grain[..., None], image)
    inside = apply_homography(way, page.corners_mm)
    kept = cv2.fillConvexPoly(np.zeros(image.shape[:2], np.uint8), np.round(inside).astype(np.int32), 1)
    shrunk = cv2.erode(kept, np.ones((7, 7), np.uint8))[..., None]
    image = np.where(shrunk > 0, plain, image)
    assert refusal(image) == ["printed_small"]
    assert refusal(plain) == []


def test_paper_on_a_wall_as_white_as_itself_is_not_taken_for_a_larger_one() -> None:
    image = photograph([(LAYOUT, placed(LAYOUT, (450, 350), 1.1, 7, 0.02))], wall=235)
    assert refusal(image) == []
    assert not checked(image).prints["a4-1"].checked


@pytest.mark.parametrize(
    ("apart_mm", "codes"), [((210.0, 0.0), ["printed_small"]), ((0.0, -297.0), ["printed_small"]), ((222.0, 3.0), [])]
)
def test_two_pages_that_lie_exactly_side_by_side_were_printed_on_one_paper(
    apart_mm: tuple[float, float], codes: list[str]
) -> None:
    way = placed(LAYOUT, (350, 380), 0.9, 1, 0.01)
    shift = np.array([[1, 0, apart_mm[0]], [0, 1, apart_mm[1]], [0, 0, 1.0]])
    other = SheetLayout(Paper.A4, 2)
    image = photograph([(LAYOUT, way), (other, way @ shift)], size_px=(900, 1000), wall=120)
    assert refusal(image) == codes
