"""The steps from pale pieces to a camera, each on numbers that are known exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import blank_sheet, quadrangles
from calibration.blank import Blank
from calibration.blank_sheet import BlankLayout, BlankReference, find_blank
from calibration.camera import PosedCamera, Surface
from calibration.homography import apply_homography
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.problems import Refused
from calibration.quadrangles import Line, Quadrangle, blank_quadrangles
from calibration.sheet import Box
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.test_any_camera import truth

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
SIZE = (1200, 900)
CAMERA = truth(SIZE, 26.0, (12.0, 8.0, 5.0), 1100.0)


def seen_corners(
    blank: Blank = Blank.A4,
    at_mm: tuple[float, float] = (0.0, 0.0),
    lying: bool = False,
    lifted_mm: Sequence[float] = (0.0, 0.0, 0.0, 0.0),
    longer: float = 1.0,
) -> Quadrangle:
    """Exactly what `CAMERA` sees of a blank thing, clockwise from its upper left corner."""
    width, height = blank.size_mm
    half = np.array([width, height * longer])[:: -1 if lying else 1] / 2
    corners = np.column_stack([half * [(-1, 1), (1, 1), (1, -1), (-1, -1)] + at_mm, lifted_mm])
    return Quadrangle(CAMERA.project(corners), 0.0, 50.0)


def camera_of(blank: Blank, chi_square: float, focal35_mm: float, stretch: float) -> PosedCamera:
    """A camera of 400 by 300 px, whose diagonal is 500 px."""
    sheet = SheetInPhoto(BlankLayout(blank), np.arange(4), np.zeros((4, 2)), np.eye(3), 0.12, 1.0)
    parameters = np.array([focal35_mm * 500 / FRAME_DIAGONAL_MM, 200.0, 150.0, 0.0, 0.0, stretch, *np.zeros(6)])
    return PosedCamera((sheet,), (400, 300), parameters, np.zeros((12, 12)), chi_square, (0.0,))


def test_a_blank_thing_s_outline() -> None:
    """ANSI/ASME Y14.1: 8.5 by 11 in; ISO/IEC 7810: 85.60 by 53.98 mm; held upright, about their centres."""
    assert BlankLayout(Blank.LETTER).page == Box(-107.95, -139.7, 107.95, 139.7)
    card = BlankLayout(Blank.CARD, 3)
    assert (card.name, card.fewest_good_corners, card.board) == ("blank-card-3", 4, card.page)
    corners = np.array([(-26.99, 42.8, 0), (26.99, 42.8, 0), (26.99, -42.8, 0), (-26.99, -42.8, 0)])
    assert card.corner_mm == pytest.approx(corners)
    assert card.stretch_sd == pytest.approx(0.13 / np.sqrt(3) * np.hypot(1 / 53.98, 1 / 85.60))


def test_what_a_size_costs_and_how_probable_it_is() -> None:
    """Chi-squared of independent causes is their sum; Bayes' rule with even odds weighs exp(-chi-squared / 2)."""
    stretch_sd = 2 / np.sqrt(3) * np.hypot(1 / 210, 1 / 297)
    one = camera_of(Blank.A4, 1.7, 27.3, 2.5 * stretch_sd)
    assert blank_sheet._cost(one) == pytest.approx(1.7 + 2.5**2)
    stated = replace(one, lens=StatedLens(26.0))
    assert blank_sheet._cost(stated) == pytest.approx(1.7 + 2.5**2 + (0.05 / 0.025) ** 2)
    other = camera_of(Blank.LETTER, 8.0, 27.3, 0.0)
    odds = blank_sheet._probabilities({Blank.A4: one, Blank.LETTER: other})
    assert odds == pytest.approx({Blank.A4: 1 / (1 + np.exp(-0.025)), Blank.LETTER: 1 / (1 + np.exp(0.025))})


def test_how_exactly_a_seen_thing_s_size_is_known() -> None:
    """Half the root sum of squares of both sides' tolerances, and 0.6 px at either end of a side as it is seen."""
    corner_px = np.array([(10.0, 10.0), (130.0, 10.0), (130.0, 60.0), (10.0, 100.0)])
    sheet = SheetInPhoto(BlankLayout(Blank.LETTER), np.arange(4), corner_px, np.eye(3), 0.12, 1.0)
    made = 2 / np.sqrt(3) * np.hypot(1 / 215.9, 1 / 279.4) / 2
    inverse = (1 / 120 + 1 / 50 + 1 / np.hypot(120, 40) + 1 / 90) / 4
    scale = blank_sheet._scale(sheet)
    assert scale.standard_uncertainty == pytest.approx(np.hypot(made, 2 * 0.6 / np.sqrt(3) * inverse))
    assert scale.measured_uncertainty == scale.standard_uncertainty
    assert (scale.scale, scale.measured, scale.checked, scale.blank) == (1.0, 1.0, True, True)
    assert not scale.suspected


@pytest.mark.parametrize(("lying", "first"), [(False, 0), (True, -1)])
def test_the_camera_from_four_corners(lying: bool, first: int) -> None:
    """A lying sheet's upper left corner as held upright is the one before the topmost in the photo, clockwise."""
    shown = seen_corners(Blank.LETTER, (30.0, -20.0), lying)
    turned = replace(shown, corner_px=np.roll(shown.corner_px, 2, axis=0))
    camera = blank_sheet._camera(turned, Blank.LETTER, 2, SIZE, StatedLens(26.0), Surface.WALL)
    (sheet,) = camera.sheets
    top = int(shown.corner_px[:, 1].argmin())
    assert sheet.corner_px == pytest.approx(np.roll(shown.corner_px, -(top + first), axis=0))
    assert apply_homography(sheet.homography, sheet.layout.page.corners_mm) == pytest.approx(sheet.corner_px)
    assert (sheet.layout, sheet.noise_px, sheet.blur_px) == (BlankLayout(Blank.LETTER, 2), 0.12, 1.0)
    assert list(sheet.corner_index) == [0, 1, 2, 3]
    assert camera.chi_square < 1e-4
    assert camera.focal35_mm == pytest.approx(26.0, rel=1e-3)
    assert np.linalg.norm(camera.translation_mm) == pytest.approx(1096.0, abs=8.0)
    wrong = blank_sheet._camera(turned, Blank.CARD, 1, SIZE, StatedLens(26.0), Surface.WALL)
    assert blank_sheet._cost(wrong) > 30


def test_further_sheets_of_one_plane_and_size_are_added() -> None:
    """The first again, one lifted along one side, one of another proportion, and two that lie as they should."""
    first = seen_corners(Blank.A4, (-300.0, 0.0))
    again = replace(first, corner_px=first.corner_px + 4.0)
    askew = seen_corners(Blank.A4, (0.0, 250.0), lifted_mm=(0.0, 60.0, 60.0, 0.0))
    longer = seen_corners(Blank.A4, (0.0, -250.0), longer=1.05)
    second, third = seen_corners(Blank.A4, (20.0, 10.0)), seen_corners(Blank.A4, (330.0, 20.0), lying=True)
    camera = blank_sheet._camera(first, Blank.A4, 1, SIZE, StatedLens(26.0), Surface.WALL)
    found = BlankReference(camera, {}, {Blank.A4: 1.0}, ())
    more = blank_sheet._with_further([again, askew, longer, second, third, again], found, Surface.WALL)
    assert [sheet.layout for sheet in more.camera.sheets] == [BlankLayout(Blank.A4, index) for index in (1, 2, 3)]
    centres = [sheet.corner_px.mean(axis=0) for sheet in more.camera.sheets]
    assert np.array(centres) == pytest.approx(
        np.array([each.corner_px.mean(axis=0) for each in (first, second, third)])
    )
    assert more.scales == {sheet.layout.name: blank_sheet._scale(sheet) for sheet in more.camera.sheets}
    assert more.camera.chi_square < 0.1
    assert more.probability == found.probability


def test_how_far_a_further_sheet_may_misfit(monkeypatch: pytest.MonkeyPatch) -> None:
    """13.8 for each sheet that is solved together, and for one alone."""
    shown = [seen_corners(Blank.A4, (-300.0, 0.0)), seen_corners(Blank.A4, (20.0, 10.0))]
    camera = blank_sheet._camera(shown[0], Blank.A4, 1, SIZE, StatedLens(26.0), Surface.WALL)
    found = BlankReference(camera, {}, {Blank.A4: 1.0}, ())
    solve = blank_sheet.solve_camera
    for alone, together, sheets in [(13.0, 27.0, 2), (13.0, 28.0, 1), (14.0, 1.0, 1)]:

        def solved(
            given: Sequence[SheetInPhoto],
            *rest: object,
            costs: tuple[float, float] = (alone, together),
        ) -> PosedCamera:
            return replace(solve(given, *rest), chi_square=costs[len(given) - 1])  # type: ignore[arg-type]

        monkeypatch.setattr(blank_sheet, "solve_camera", solved)
        assert len(blank_sheet._with_further(shown, found, Surface.WALL).camera.sheets) == sheets


def found_with(
    monkeypatch: pytest.MonkeyPatch, stated: Blank | None, bow: float = 0.0, chi_square: float = 0.0, a4: float = 1.0
) -> list[str]:
    """Remarks on one sheet of A4 with that bow, misfit and probability."""
    quadrangle = replace(seen_corners(), bow=bow)
    camera = blank_sheet._camera(quadrangle, Blank.A4, 1, SIZE, StatedLens(26.0), Surface.WALL)
    cameras = {Blank.A4: replace(camera, chi_square=chi_square), Blank.LETTER: camera}
    odds = {Blank.A4: a4, Blank.LETTER: 1 - a4}
    monkeypatch.setattr(blank_sheet, "blank_quadrangles", lambda image: [quadrangle])
    monkeypatch.setattr(blank_sheet, "_largest", lambda *given: (quadrangle, cameras))
    monkeypatch.setattr(blank_sheet, "_probabilities", lambda cameras: odds)
    found = find_blank(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), stated, StatedLens(26.0), Surface.WALL)
    assert found.camera.image_size_px == SIZE
    assert set(found.scales) == {"blank-a4-1"}
    assert found.probability == odds
    return [problem.code for problem in found.remarks]


def test_what_is_remarked_of_a_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    assert found_with(monkeypatch, Blank.A4, bow=0.0039, chi_square=13.7, a4=0.06) == []
    assert found_with(monkeypatch, Blank.A4, bow=0.0041) == ["sheet_bent"]
    assert found_with(monkeypatch, Blank.A4, chi_square=13.9) == ["blank_sheet_unlike"]
    assert found_with(monkeypatch, None, a4=0.951) == []
    with pytest.raises(Refused):
        found_with(monkeypatch, None, a4=0.949)
    with pytest.raises(Refused) as refused:
        found_with(monkeypatch, Blank.CARD)
    assert [problem.code for problem in refused.value.problems] == ["blank_sheet_unlike"]
    with pytest.raises(Refused) as refused:
        found_with(monkeypatch, Blank.A4, a4=0.04)
    assert [problem.code for problem in refused.value.problems] == ["blank_sheet_unlike"]
    with pytest.raises(Refused) as refused:
        found_with(monkeypatch, Blank.A4, bow=0.0041, a4=0.04)
    assert [problem.code for problem in refused.value.problems] == ["blank_sheet_unlike", "sheet_bent"]


def test_the_largest_that_fits_is_taken() -> None:
    """A sheet that is 4.5 % longer than Letter is that no more, nor A4 yet."""
    between = seen_corners(Blank.LETTER, longer=1.045)
    sheet, smaller = seen_corners(Blank.A4, (40.0, 0.0)), seen_corners(Blank.CARD)
    found, cameras = blank_sheet._largest([between, sheet, smaller], SIZE, StatedLens(26.0), Surface.WALL)
    assert found is sheet
    assert min(cameras, key=lambda blank: blank_sheet._cost(cameras[blank])) == Blank.A4
    with pytest.raises(Refused):
        blank_sheet._largest([between], SIZE, StatedLens(26.0), Surface.WALL)


def box(x: float, y: float, width: float, height: float) -> Array:
    return np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])


def test_when_two_quadrangles_are_alike() -> None:
    """Within a tenth of a side from middle to middle, and a fifth of the area; the side is the root of the area."""
    one = box(100, 50, 40, 90)  # a side of 60
    for away, alike in ((0.095, True), (0.105, False)):
        assert quadrangles.alike(one + 60 * away * np.array([0.6, -0.8]), one) == alike
    for area, alike in ((1.18, True), (1.22, False), (0.82, True), (0.78, False)):
        grown = (one - one.mean(axis=0)) * np.sqrt(area) + one.mean(axis=0)
        assert quadrangles.alike(grown, one) == alike
        assert quadrangles.alike(grown[::-1], one) == alike
    assert not quadrangles.alike(one, one + 60 * 2.0)


def rough(pale: Grey) -> list[Array]:
    return list(quadrangles._rough_quadrangles(pale))


def test_levels_at_which_pale_pieces_are_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """24 levels from 250 down to 50, 8.7 apart, palest first; edges left out."""
    monkeypatch.setattr(quadrangles, "_EDGE_LEVELS", ())
    for wall, paper, times in [(245, 251, 1), (242, 250, 0), (45, 51, 1), (44, 50, 0), (60, 200, 16), (150, 159, 1)]:
        pale = np.full((60, 80), wall, np.uint8)
        pale[10:40, 20:60] = paper
        assert len(rough(pale)) == times, (wall, paper)
    pale = np.full((90, 120), 90, np.uint8)
    pale[5:35, 10:60], pale[45:85, 20:100] = 255, 180
    found = rough(pale)
    assert [np.round(each.mean(axis=0), 1).tolist() for each in found[:2]] == [[34.5, 19.5]] * 2
    # 255 over 90 is seen at 250 down to 93.5, 180 at 171.7 and below
    assert len(found) == 19 + 10
    assert {float(each[:, 0].max()) for each in found} == {59.0, 99.0}


def test_which_pieces_have_four_straight_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sizes from a thousandth to half of the photo; an outline within a fiftieth of its length; seven eighths full."""
    monkeypatch.setattr(quadrangles, "_EDGE_LEVELS", ())
    monkeypatch.setattr(quadrangles, "LEVELS", 2)  # 250 and 50: the second one finds it

    def count(*outlines: Array | Sequence[tuple[float, float]], grey: int = 200) -> int:
        pale = np.full((400, 600), 20, np.uint8)
        for number, outline in enumerate(outlines):
            cv2.fillPoly(pale, [np.asarray(outline).astype(np.int32)], 20 if number else grey)
        return len(rough(pale))

    # 240000 px hold from 240 to 120000
    assert [count(box(20, 20, 16, 14)), count(box(20, 20, 18, 15))] == [0, 1]
    assert [count(box(20, 20, 400, 295)), count(box(20, 20, 400, 305))] == [1, 0]
    whole = box(50, 40, 160, 100)
    # a corner cut off leaves its quadrangle by the cut over the root of 2; a fiftieth of the 520 px around is 10
    cut = [np.array([(50 + c, 40), (210, 40), (210, 140), (50, 140), (50, 40 + c)]) for c in (9, 26)]
    assert [count(one) for one in cut] == [1, 0]
    # a notch leaves the hull as it was, but not the area
    assert [count(whole, box(110, 20, 40, depth)) for depth in (60, 100)] == [1, 0]
    assert count(np.array([(50, 40), (210, 90), (50, 140)])) == 0


def test_a_large_photo_is_looked_at_small() -> None:
    """At 1400 px along its longer side, whichever that is; places are given in the photo's pixels."""
    for turned in (False, True):
        pale = np.full((400, 2800), 60, np.uint8)
        pale[100:300, 400:720] = 190
        pale = pale.T.copy() if turned else pale
        corners = np.array([(400.5, 100.5), (718.5, 298.5)])[:, :: -1 if turned else 1]
        found = np.array(rough(pale)[:6])
        # within 1 px of the small photo, of which the outermost pixels' middles are known exactly
        assert found.max(axis=1) == pytest.approx(np.tile(corners[1], (6, 1)))
        assert found.min(axis=1) == pytest.approx(np.tile(corners[0], (6, 1)))
    small = np.full((90, 120), 60, np.uint8)
    small[20:60, 30:100] = 190
    assert rough(small)[0].max(axis=0) == pytest.approx([99, 59])


def test_what_is_looked_at_beyond_uneven_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """150 at most: bricks of a wall hide paper only beyond them."""
    pale = np.random.default_rng(2).integers(0, 256, (300, 300)).astype(np.uint8)
    pale[220:290, 20:120] = 250
    pale[210:220], pale[290:], pale[210:, :20], pale[210:, 120:] = 90, 90, 90, 90
    photo = np.repeat(pale[..., None], 3, axis=2)
    paper = box(19.5, 219.5, 100, 70)
    for bricks, found in ((149, 1), (150, 0)):
        pieces = [*([box(20, 20, 150, 150)] * bricks), paper]
        monkeypatch.setattr(quadrangles, "_rough_quadrangles", lambda pale, pieces=pieces: iter(pieces))
        assert len(blank_quadrangles(photo)) == found


def test_a_weak_edge_is_kept_beside_a_stronger_one() -> None:
    """Looked for within 8 px of where it was roughly seen, and then within 4 px of where it is."""
    pale = np.full((200, 260), 60, np.uint8)
    pale[44:156, 64:196] = 160
    pale[50:150, 70:190] = 200
    found = quadrangles._refined(pale, box(73.5, 53.5, 112, 92)) or pytest.fail("not found")
    assert found.corner_px == pytest.approx(box(69.5, 49.5, 120, 100), abs=0.05)
    assert found.fall == pytest.approx(40, abs=0.1)
    assert found.bow < 1e-4


def along(length: float) -> Array:
    return np.array([length, 0.0])


def test_sides_of_eight_pixels_and_faint_ones() -> None:
    pale = np.full((60, 60), 100, np.uint8)
    pale[30:] = 200
    one = np.array([20.0, 29.5])
    assert quadrangles._side(pale, one, one + along(7.9), 1.0) is None
    assert quadrangles._side(pale, one, one + along(8.0), 1.0) is not None
    for fall, seen in ((5, False), (8, True)):
        faint = np.where(pale == 200, 100 + fall, pale).astype(np.uint8)
        assert (quadrangles._side(faint, one, one + along(30.0), 1.0) is not None) == seen
    long = np.where(np.arange(80)[:, None] < 40, 100, 200).astype(np.uint8) * np.ones((1, 700), np.uint8)
    for away, seen in ((12.5, True), (17.0, False)):
        start = np.array([50.0, 39.5 + away])
        assert (quadrangles._side(long, start, start + along(600.0), 1.0) is not None) == seen
    hidden = pale.copy()
    for gap, seen in ((10, True), (20, False)):  # of 40 px, of which three quarters are looked at
        hidden[30:, 25 : 25 + gap] = 100
        start = np.array([10.0, 29.5])
        assert (quadrangles._side(hidden, start, start + along(40.0), 1.0) is not None) == seen


def test_a_line_through_steep_places() -> None:
    """Places that rise by 40 px, with outliers at both limits of what is on the line, fitted as NumPy fits them."""
    share = np.linspace(0.12, 0.88, 80)
    places = 5.0 - 40.0 * share
    wrong = np.arange(80) % 4 == 1
    off = np.where(np.arange(80) % 8 == 1, 0.9, -0.9)
    line, on_line = quadrangles._line(share, places + np.where(wrong, off, 0.0), np.ones(80, dtype=bool))
    np.testing.assert_array_equal(on_line, ~wrong)
    assert line == pytest.approx([-40.0, 5.0])
    line, on_line = quadrangles._line(share, places + np.where(wrong, 0.5, -0.05), np.ones(80, dtype=bool))
    assert on_line.all()
    for count, seen in ((7, False), (8, True)):
        line, on_line = quadrangles._line(share, places, np.arange(80) < count)
        assert (line.shape, on_line.shape, int(on_line.sum())) == ((2,), (80,), count if seen else 0)
        assert line == pytest.approx([-40.0, 5.0] if seen else [0.0, 0.0])
    scattered = np.random.default_rng(5).uniform(-60, 60, 80)
    line, on_line = quadrangles._line(share, scattered, np.ones(80, dtype=bool))
    assert (line.tolist(), on_line.any()) == ([0.0, 0.0], False)


def test_lines_that_are_nearly_parallel() -> None:
    one = Line(np.array([1.0, 2.0]), np.array([1.0, 0.0]))
    for slope, finite in ((1.5e-9, True), (0.7e-9, False)):
        for sign in (1, -1):
            meeting = quadrangles._meeting(one, Line(np.zeros(2), np.array([1.0, sign * slope])))
            assert meeting.shape == (2,)
            assert np.isfinite(meeting).all() == finite


def even(pattern: Array) -> bool:
    """Whether paper is even whose levels leave a lamp's slope by `pattern` at 20 by 20 places, on a wild carpet."""
    pale = np.random.default_rng(6).integers(0, 256, (120, 90)).astype(np.uint8)
    down, right = np.mgrid[:20, :20]
    pale[20 + 3 * down, 15 + 2 * right] = np.round(70 + 3 * right + 2 * down + right * down / 10 + pattern)
    # places are a tenth to nine tenths of the sides
    return quadrangles._even_inside(pale, box(15 - 38 / 8, 20 - 57 / 8, 38 / 0.8, 57 / 0.8))


def test_how_uneven_blank_paper_is() -> None:
    """1.4826 times the median distance is a normal distribution's deviation, 7 at most; nine tenths are within 14.

    The pattern + - - + has no slope, so that its amplitude is what is left at every place.
    """
    wave = np.tile([1.0, -1.0, -1.0, 1.0], 5)
    assert even(4.0 * np.outer(wave, wave))
    assert not even(5.5 * np.outer(wave, wave))
    rows = np.isin(np.arange(20), (4, 9, 15)).astype(float)  # three of twenty rows are more than a tenth
    assert even(12.5 * np.outer(rows, wave))
    assert not even(15.5 * np.outer(rows, wave))
    assert even(60.0 * np.outer(np.arange(20) == 7, wave))


def test_two_papers_in_a_developed_photo() -> None:
    """Kept from the present code (a change must be meant): sharpened edges under a slope of light, noise, a finger."""
    down, right = np.mgrid[:240, :320]
    fine = np.full((960, 1280), 90.0)
    papers = (
        ([(60, 40), (236, 64), (220, 226), (48, 196)], 205),
        ([(262, 20), (310, 30), (300, 120), (250, 112)], 112),
    )
    for outline, grey in papers:
        cv2.fillPoly(fine, [np.array(outline, dtype=np.int32) * 4], grey)
    pale = cv2.resize(fine, (320, 240), interpolation=cv2.INTER_AREA)
    pale += 0.6 * (pale - cv2.GaussianBlur(pale, (0, 0), 2.0)) + 0.1 * right - 0.05 * down
    cv2.circle(pale, (52, 120), 8, 110.0, -1)
    pale += np.random.default_rng(11).normal(0, 2.0, pale.shape)
    photo = np.clip(np.round(pale), 0, 255).astype(np.uint8)
    areas = [cv2.contourArea(outline.astype(np.float32)) for outline in rough(photo)]
    assert areas == pytest.approx(KEPT_AREAS)
    found = blank_quadrangles(np.repeat(photo[..., None], 3, axis=2))
    corners = np.array([each.corner_px for each in found])
    assert corners == pytest.approx(KEPT_CORNERS, abs=2e-3)
    assert [each.bow for each in found] == pytest.approx([2.1735e-4, 7.1052e-4], rel=1e-3)
    assert [each.fall for each in found] == pytest.approx([150.875, 29.25], abs=0.01)


KEPT_AREAS = [
    *(27395.0, 27424.0, 27424.0, 27424.0, 27424.0, 27424.0, 27488.5, 27567.5, 27646.5, 27646.5, 4233.0, 27646.5),
    *(5426.0, 27660.0, 26171.5, 28580.5, 4035.0, 4699.0, 26770.0, 28378.0, 4035.0, 4699.0, 26770.0, 28378.0),
]
KEPT_CORNERS = np.array(
    [
        [(59.50929, 39.46766), (235.75439, 63.51543), (219.73706, 225.76278), (47.50593, 195.72776)],
        [(261.50313, 19.45727), (309.78728, 29.53285), (299.69660, 119.74515), (249.51672, 111.72314)],
    ]
)
