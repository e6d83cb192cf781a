"""Blank paper and cards: found to a fraction of a pixel, told apart, and refused where they cannot be seen."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import blank_sheet, quadrangles
from calibration.blank import Blank
from calibration.blank_sheet import BlankLayout, find_blank
from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import is_card_window, reference_camera
from calibration.homography import apply_homography
from calibration.lens import StatedLens
from calibration.problems import Refused
from calibration.quadrangles import Line, blank_quadrangles
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.test_any_camera import truth

SIZE = (1200, 900)
_FINER = 4


def outline_mm(blank: Blank, at_mm: tuple[float, float] = (0.0, 0.0), lying: bool = False) -> NDArray[np.float64]:
    corners = BlankLayout(blank).corner_mm
    corners = corners[:, [1, 0, 2]] * [1, -1, 1] if lying else corners
    return np.asarray(corners + np.array([*at_mm, 0.0]))


def photograph(
    camera: PosedCamera, outlines: list[NDArray[np.float64]], wall: int = 120, paper: int = 220, seed: int = 0
) -> NDArray[np.uint8]:
    """Pale polygons on a plain wall, blurred, with noise."""
    canvas = np.full((SIZE[1] * _FINER, SIZE[0] * _FINER), wall, np.uint8)
    for outline in outlines:
        at = (camera.project(outline) + 0.5) * _FINER - 0.5
        cv2.fillPoly(canvas, [np.round(at * 16).astype(np.int32)], paper, shift=4)
    photo = cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA).astype(np.float64)
    photo = cv2.GaussianBlur(photo, (0, 0), 0.7) + np.random.default_rng(seed).normal(0, 2, photo.shape)
    return np.repeat(np.clip(photo, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def codes(refusal: pytest.ExceptionInfo[Refused]) -> list[str]:
    return [problem.code for problem in refusal.value.problems]


CAMERA = truth(SIZE, 26.0, (12.0, 8.0, 5.0), 1100.0)


@pytest.mark.parametrize("lying", [False, True])
@pytest.mark.parametrize("blank", [Blank.A4, Blank.LETTER])
def test_paper_is_found_and_told(blank: Blank, lying: bool) -> None:
    outline = outline_mm(blank, lying=lying)
    found = find_blank(photograph(CAMERA, [outline]), None, StatedLens(26.0), Surface.WALL)
    (sheet,) = found.camera.sheets
    assert sheet.layout == BlankLayout(blank)
    assert found.probability[blank] > 0.99
    assert found.remarks == ()
    true_px = CAMERA.project(outline)
    nearest = np.linalg.norm(sheet.corner_px[:, None] - true_px[None], axis=2).min(axis=1)
    # polygons are drawn half a fine pixel too large, which is 0.18 px at a corner
    assert nearest.max() < 0.35
    # the focal length is stated to 2.5 %, and the distance goes with it
    distance = float(np.linalg.norm(found.camera.position_mm))
    u = np.sqrt(found.camera.covariance[11, 11])
    assert distance == pytest.approx(1100.0, abs=2.5 * u)


def test_a_card_alone() -> None:
    near = truth(SIZE, 26.0, (12.0, 8.0, 5.0), 400.0)
    found = find_blank(
        photograph(near, [outline_mm(Blank.CARD, lying=True)]), Blank.CARD, StatedLens(26.0), Surface.TABLE
    )
    assert found.camera.sheets[0].layout.name == "blank-card-1"
    # ISO/IEC 7810: +-0.13 mm of 85.60 and 53.98, rectangular, and 0.6 px at either end of some 190 px
    assert found.scales["blank-card-1"].standard_uncertainty < 0.006


def test_the_paper_s_tolerance_is_rectangular() -> None:
    """ISO 216: +-2 mm; u = 2 / sqrt 3 mm of 210 and of 297 mm, for the mean of both sides and for their proportion."""
    wide, long = 2 / np.sqrt(3) / 210, 2 / np.sqrt(3) / 297
    assert BlankLayout(Blank.A4).scale_u == pytest.approx(np.sqrt(wide**2 + long**2) / 2)
    assert BlankLayout(Blank.A4).stretch_sd == pytest.approx(np.sqrt(wide**2 + long**2))
    found = find_blank(photograph(CAMERA, [outline_mm(Blank.A4)]), Blank.A4, StatedLens(26.0), Surface.WALL)
    scale = found.scales["blank-a4-1"]
    sides_px = np.linalg.norm(np.diff(found.camera.sheets[0].corner_px[[0, 1, 2, 3, 0]], axis=0), axis=1)
    seen = 1.2 / np.sqrt(3) * (1 / sides_px).mean()
    assert scale.standard_uncertainty == pytest.approx(np.hypot(BlankLayout(Blank.A4).scale_u, seen))
    assert scale.contribution(450.0, "blank-a4-1").source == "size of the paper"


def test_wrong_paper_is_refused() -> None:
    """A4 called Letter made every length 2 % too short."""
    photo = photograph(CAMERA, [outline_mm(Blank.A4)])
    with pytest.raises(Refused) as refusal:
        find_blank(photo, Blank.LETTER, StatedLens(26.0), Surface.WALL)
    assert codes(refusal) == ["blank_sheet_unlike"]


def test_a_finger_and_a_curled_corner_move_no_line() -> None:
    outline = outline_mm(Blank.A4)
    straight = photograph(CAMERA, [outline])
    curled = outline.copy()
    curled = np.vstack([outline[:2], [[105.0, -130.0, 0.0], [88.0, -140.0, 0.0], [85.0, -148.5, 0.0]], outline[3:]])
    photo = photograph(CAMERA, [curled])
    finger = CAMERA.project([[-105.0, 30.0, 0.0]])[0]
    cv2.circle(photo, (round(float(finger[0])), round(float(finger[1]))), 7, (150, 110, 100), -1)
    before, after = (
        find_blank(each, Blank.A4, StatedLens(26.0), Surface.WALL).camera.sheets[0] for each in (straight, photo)
    )
    assert np.abs(before.corner_px - after.corner_px).max() < 0.5


def test_a_bowed_edge_is_no_flat_paper() -> None:
    along = np.linspace(-148.5, 148.5, 30)
    right = np.column_stack([105 + 4.0 * (1 - (along / 148.5) ** 2), along, np.zeros(30)])
    left = np.column_stack([np.full(30, -105.0), along[::-1], np.zeros(30)])
    found = find_blank(photograph(CAMERA, [np.vstack([right, left])]), Blank.A4, StatedLens(26.0), Surface.WALL)
    assert "sheet_bent" in {each.code for each in found.remarks}


def test_white_on_white_is_refused_with_advice() -> None:
    with pytest.raises(Refused) as refusal:
        find_blank(photograph(CAMERA, [outline_mm(Blank.A4)], wall=217), Blank.A4, StatedLens(26.0), Surface.WALL)
    assert codes(refusal) == ["no_blank_sheet"]
    assert "dark" in refusal.value.problems[0].advice


def test_nothing_pale_is_no_paper() -> None:
    with pytest.raises(Refused) as refusal:
        find_blank(photograph(CAMERA, []), None, StatedLens(26.0), Surface.WALL)
    assert codes(refusal) == ["no_blank_sheet"]


def test_a_square_is_no_paper() -> None:
    square = np.array([(-120.0, 120.0, 0.0), (120.0, 120.0, 0.0), (120.0, -120.0, 0.0), (-120.0, -120.0, 0.0)])
    with pytest.raises(Refused):
        find_blank(photograph(CAMERA, [square]), None, StatedLens(26.0), Surface.WALL)


def test_a_pattern_inside_is_no_blank_paper() -> None:
    photo = photograph(CAMERA, [outline_mm(Blank.A4)])
    pattern = [outline_mm(Blank.CARD, (x, y)) for x in (-60.0, 0.0, 60.0) for y in (-90.0, 0.0, 90.0)]
    for outline in pattern:
        cv2.fillPoly(photo, [np.round(CAMERA.project(outline)).astype(np.int32)], (90, 60, 60))
    assert blank_quadrangles(photo) == [] or max(
        cv2.contourArea(each.corner_px.astype(np.float32)) for each in blank_quadrangles(photo)
    ) < 0.5 * cv2.contourArea(CAMERA.project(outline_mm(Blank.A4)).astype(np.float32))


def test_a_second_sheet_sharpens() -> None:
    one = photograph(CAMERA, [outline_mm(Blank.A4, (-150.0, 0.0))])
    two = photograph(CAMERA, [outline_mm(Blank.A4, (-150.0, 0.0)), outline_mm(Blank.A4, (150.0, 20.0), lying=True)])
    first, both = (reference_camera(each, StatedLens(26.0), Surface.WALL, reference=Blank.A4) for each in (one, two))
    assert set(both.prints) == {"blank-a4-1", "blank-a4-2"}
    assert len(both.camera.sheets) == 2
    assert both.camera.focal_standard_uncertainty_px < first.camera.focal_standard_uncertainty_px


def test_paper_of_which_two_sizes_are_likely_is_asked_for_unless_stated(monkeypatch: pytest.MonkeyPatch) -> None:
    photo = photograph(CAMERA, [outline_mm(Blank.A4)])
    halves = {Blank.A4: 0.6, Blank.LETTER: 0.39, Blank.CARD: 0.01}
    monkeypatch.setattr(blank_sheet, "_probabilities", lambda cameras: halves)
    with pytest.raises(Refused) as refusal:
        find_blank(photo, None, StatedLens(26.0), Surface.WALL)
    assert codes(refusal) == ["which_paper"]
    assert find_blank(photo, Blank.A4, StatedLens(26.0), Surface.WALL).remarks == ()
    monkeypatch.setattr(blank_sheet, "_probabilities", lambda cameras: {**halves, Blank.A4: 0.96})
    assert find_blank(photo, None, StatedLens(26.0), Surface.WALL).camera.sheets[0].layout == BlankLayout(Blank.A4)


def step_edge(place: NDArray[np.float64], size: tuple[int, int] = (400, 120)) -> NDArray[np.uint8]:
    """Pale below, dark above an edge whose height is `place` px at each column."""
    rows = np.arange(size[1])[:, None]
    return np.round(90 + 120 * np.clip(rows - place[None] + 0.5, 0, 1)).astype(np.uint8)


@pytest.mark.parametrize(
    ("length", "away_px", "seen"),
    [(100.0, 3.0, True), (100.0, 5.5, False), (300.0, 6.0, True), (300.0, 11.5, False)],
)
def test_a_side_is_looked_for_within_three_hundredths_of_its_length(length: float, away_px: float, seen: bool) -> None:
    """But 4 px at least; the top side of a thing whose corners go clockwise."""
    photo = step_edge(np.full(400, 60.0))
    start = np.array([40.0, 60.0 + away_px])
    side = quadrangles._side(photo, start, start + np.array([length, 0.0]), 1.0)
    assert (side is not None) == seen
    if side is not None:
        assert side.line.point == pytest.approx([40.0, 60.0], abs=0.6)
        assert side.line.way == pytest.approx([length, 0.0], abs=1e-6)
        assert side.bow < 1e-6
        assert side.fall == pytest.approx(120.0, abs=1.0)


def test_a_sloping_side_and_its_bow() -> None:
    """A parabola of 3 px over 300 px bows by a hundredth of its length; a slope alone does not bow."""
    along = (np.arange(400) - 50) / 300
    start, end = np.array([50.0, 62.0]), np.array([350.0, 68.0])
    side = quadrangles._side(step_edge(60 + 8 * along), start, end, 1.0) or pytest.fail("not seen")
    point, way = side.line.point, side.line.way
    slope = way[1] / way[0]
    assert slope == pytest.approx(8 / 300, abs=2e-4)
    assert point[1] + slope * (200 - point[0]) == pytest.approx(64.0, abs=0.1)
    assert side.bow < 2e-4
    bowed = quadrangles._side(step_edge(62 - 4 * 0.5 * along * (1 - along)), start, end - [0, 6.0], 1.0)
    assert bowed is not None
    assert bowed.bow == pytest.approx(0.5 / 300, rel=0.1)


def test_a_line_through_most_places() -> None:
    """Two fifths of the places are wrong; least squares through the rest, as NumPy fits it."""
    share = np.linspace(0.12, 0.88, 80)
    places = 1.5 - 3.0 * share + np.random.default_rng(1).normal(0, 0.1, 80)
    wrong = np.zeros(80, dtype=bool)
    wrong[10:42] = True
    line, on_line = quadrangles._line(share, np.where(wrong, places + 8.0, places), np.ones(80, dtype=bool))
    np.testing.assert_array_equal(on_line, ~wrong)
    assert line == pytest.approx(np.polyfit(share[~wrong], places[~wrong], 1))
    few = np.arange(80) < 7
    assert not quadrangles._line(share, places, few)[1].any()
    assert quadrangles._line(share, places, np.arange(80) < 30)[1].sum() == 30


def test_where_lines_meet() -> None:
    one = Line(np.array([1.0, 2.0]), np.array([3.0, 1.0]))
    two = Line(np.array([10.0, -4.0]), np.array([-1.0, 2.0]))
    # 1 + 3 s = 10 - t and 2 + s = -4 + 2 t: t = 27 / 7, s = 12 / 7
    assert quadrangles._meeting(one, two) == pytest.approx([1 + 36 / 7, 2 + 12 / 7])
    assert np.isnan(quadrangles._meeting(one, Line(np.zeros(2), 2 * one.way))).all()


def test_only_what_is_inside_is_to_be_even() -> None:
    """A lamp's slope and a soft shade are no pattern; a carpet around the paper is none of its own, print on it is."""
    generator = np.random.default_rng(4)
    photo = generator.integers(0, 256, (300, 400)).astype(np.uint8)
    corners = np.array([(120.0, 60.0), (310.0, 80.0), (300.0, 260.0), (100.0, 240.0)])
    across, down = np.meshgrid(np.arange(400), np.arange(300))
    lit = np.round(120 + across / 5 + down / 8 + generator.normal(0, 2, across.shape)).astype(np.uint8)
    mask = cv2.fillConvexPoly(np.zeros((300, 400), np.uint8), np.round(corners).astype(np.int32), 1)
    assert quadrangles._even_inside(np.where(mask > 0, lit, photo), corners)
    # the shade of an arm, 50 levels deep, that falls across a third of the paper
    shaded = np.round(lit - 50 * np.exp(-(((down - 140) / 45.0) ** 2))).astype(np.uint8)
    assert quadrangles._even_inside(np.where(mask > 0, shaded, photo), corners)
    printed = np.where((down // 12) % 2 == 0, lit, lit - 60).astype(np.uint8)
    assert not quadrangles._even_inside(np.where(mask > 0, printed, photo), corners)
    # a few strong words on a page that is even elsewhere, and grain that is nowhere strong
    words = np.where((down // 9) % 7 == 0, lit - 30, lit).astype(np.uint8)
    assert not quadrangles._even_inside(np.where(mask > 0, words, photo), corners)
    grain = np.round(150 + 11 * np.sign(generator.normal(0, 1, across.shape))).astype(np.uint8)
    assert not quadrangles._even_inside(np.where(mask > 0, cv2.resize(grain[::8, ::8], (400, 300)), photo), corners)


def test_paper_under_a_lamp_on_a_wall_that_no_single_level_parts_from_it() -> None:
    """The wall is paler on one side than the paper is on the other; the edge itself is steep everywhere."""
    across, down = np.meshgrid(np.arange(500), np.arange(400))
    grey = 40 + 0.36 * across
    inside = (across >= 150) & (across < 350) & (down >= 60) & (down < 340)
    photo = np.round(np.where(inside, grey + 30, grey)).astype(np.uint8)
    (found, *_) = blank_quadrangles(np.repeat(photo[..., None], 3, axis=2)) or pytest.fail("not found")
    corners = np.array([(149.5, 59.5), (349.5, 59.5), (349.5, 339.5), (149.5, 339.5)])
    assert np.linalg.norm(found.corner_px[:, None] - corners, axis=2).min(axis=1).max() < 0.5


def test_the_six_largest_are_tried_largest_first() -> None:
    photo = np.full((420, 640, 3), 90, np.uint8)
    for number in range(8):
        x, y, side = 20 + 150 * (number % 4), 30 + 190 * (number // 4), 110 - 5 * number
        photo[y : y + side, x : x + side] = 210
    found = blank_quadrangles(photo)
    sides = np.sqrt([abs(cv2.contourArea(each.corner_px.astype(np.float32))) for each in found])
    assert sides == pytest.approx([110.0 - 5 * number for number in range(6)], abs=0.5)


@pytest.mark.parametrize(("box", "printed"), [("card_window", True), ("card", False)])
def test_the_window_of_a_printed_frame_is_no_card(box: str, printed: bool) -> None:
    """A card that lies in the frame is one; the white within the frame is a tenth smaller than that."""
    layout = SheetLayout(Paper.A4, 1)
    way = np.array([[1.1, 0.1, 800.0], [0.05, -1.1, 600.0], [1e-5, 2e-5, 1.0]])
    seen = {"noise_px": 0.1, "blur_px": 1.0}
    sheet = SheetInPhoto(layout, np.arange(42), np.zeros((42, 2)), way, **seen)
    corner_px = apply_homography(way, getattr(layout, box).corners_mm)[[2, 3, 0, 1]] + 0.4
    card = SheetInPhoto(BlankLayout(Blank.CARD), np.arange(4), corner_px, way, **seen)
    assert is_card_window(card, sheet) is printed
