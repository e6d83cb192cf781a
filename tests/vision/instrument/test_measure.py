"""An instrument from photo to lengths, on sample photos with known truth."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.blank import Blank
from calibration.blank_sheet import BlankLayout
from calibration.lens import StatedLens
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from tests.vision.sample_photos import detected_instrument, measured_instrument, photo, truth, with_sheet
from tests.vision.trace import trace_instrument
from vision.instrument import detected as detecting
from vision.instrument.cameras import LeanCamera
from vision.instrument.edges import trace
from vision.instrument.lengths import BRIDGE_LIFT_MM, NUT_LIFT_MM
from vision.instrument.measure import POINT_NAMES, measure_instrument, solve_instrument
from vision.instrument.model import LENGTH, LOW, SCROLL, pose_of
from vision.instrument.overlay import blur_surroundings, draw_instrument
from vision.instrument.resting import resting_heights_mm
from vision.instrument.seen import see_instrument
from vision.instrument.sheet_height import IN_ITS_CASE, SheetHeight
from vision.instrument.sheet_support import lies_on_book
from vision.photo import Photo
from vision.problems import INSTRUMENT_CUT, OUTLINE_NOT_FOUND

PLAIN = "instrument-1"


@pytest.fixture
def plain():
    """A quarter-size violin, and what was measured of it."""
    return truth(PLAIN), photo(PLAIN), measured_instrument(PLAIN)


@pytest.mark.parametrize("name", [PLAIN, "instrument-2", "instrument-3"])
@pytest.mark.parametrize(
    ("length", "true", "share"),
    [
        ("body_length", "body_length_mm", 0.006),
        ("total_length", "total_length_mm", 0.006),
        ("upper_bout_width", "upper_bout_mm", 0.006),
        ("middle_bout_width", "waist_mm", 0.006),
        ("lower_bout_width", "lower_bout_mm", 0.006),
        # the nut, seen to 0.3 % of the body, is taken to stand 4 mm over the plate as handbooks have it; here it is 7
        ("string_length", "string_length_mm", 0.01),
    ],
)
def test_lengths_are_right_and_their_intervals_hold_the_truth(name, length, true, share):
    found, value = getattr(measured_instrument(name), length), truth(name)[true]
    assert found.low_mm < value < found.high_mm
    # below 1 % from one photo with one sheet: a size step is 5 to 10 % (README's table: 1.0 mm of body at most, 95th)
    assert found.value_mm == pytest.approx(value, rel=share)
    assert found.standard_uncertainty_mm < 0.012 * value


def test_heights_are_those_of_the_instrument(plain):
    """Against the renderer's truth: within the standard uncertainties that single photos are given for them."""
    true, _, measured = plain
    start = measured.detected.traced.start
    assert resting_heights_mm(start[LENGTH]) + start[LOW : SCROLL + 1] == pytest.approx(true["heights_mm"], abs=2.5)


def test_the_budget_names_print_and_heights(plain):
    _, _, measured = plain
    causes = {part.source for part in measured.body_length.budget}
    assert any("height" in cause for cause in causes)
    assert any(part.key == "print-scale:a4-1" for part in measured.body_length.budget)
    spread = np.sqrt(sum(part.contribution_mm**2 for part in measured.body_length.budget))
    assert measured.body_length.standard_uncertainty_mm == pytest.approx(spread)


def test_proportions_are_those_of_violins(plain):
    _, _, measured = plain
    # body over total 0.60 to 0.61 (facts from a maker's table of four sizes), small ones down to 0.58
    assert 0.58 < measured.body_length.value_mm / measured.total_length.value_mm < 0.62


def test_a_full_size_string_has_its_usual_length():
    # 130 mm of neck and 195 mm of stop (Stradivari 1716: 129 and 195 to 196.5) give 325 to 330 mm of string
    rise = BRIDGE_LIFT_MM - NUT_LIFT_MM
    assert 325.0 < np.hypot(130.0 + 195.0, rise) < 330.0


def test_a_point_set_by_hand_moves_its_length(plain):
    _, _, measured = plain
    detected = measured.detected
    x, y = measured.points_px["scroll_top"]
    along = np.array([x, y]) - np.array(measured.points_px["body_bottom"])
    along /= np.linalg.norm(along)
    moved = solve_instrument(detected, {"scroll_top": (x + 20 * along[0], y + 20 * along[1])})
    grown = moved.total_length.value_mm - measured.total_length.value_mm
    assert grown == pytest.approx(20 / detected.traced.px_per_mm, rel=0.15)
    assert moved.body_length.value_mm == pytest.approx(measured.body_length.value_mm, abs=0.5)


@pytest.mark.parametrize("name", POINT_NAMES)
def test_every_end_can_be_set_by_hand(plain, name):
    _, _, measured = plain
    again = solve_instrument(measured.detected, {name: measured.points_px[name]})
    assert again.body_length.value_mm == pytest.approx(measured.body_length.value_mm, abs=0.7)
    assert again.total_length.value_mm == pytest.approx(measured.total_length.value_mm, abs=0.7)


def test_an_unknown_point_is_an_error(plain):
    with pytest.raises(ValueError, match="bridge"):
        solve_instrument(plain[2].detected, {"bridge": (10.0, 10.0)})


def test_the_drawing_is_as_wide_as_the_photo(plain):
    _, photo, measured = plain
    picture = draw_instrument(photo, measured)
    assert picture.shape[1] == photo.rgb.shape[1]
    assert picture.shape == photo.rgb.shape
    captions = {"body_length": "body", "total_length": "whole"}
    assert draw_instrument(photo, measured, captions).shape[0] > photo.rgb.shape[0]
    assert (picture[: photo.rgb.shape[0]] != photo.rgb).any(axis=2).mean() > 0.005


def test_what_stands_around_the_instrument_is_not_recognisable(plain):
    _, photo, measured = plain
    height, width = photo.rgb.shape[:2]
    busy = np.vstack([measured.outline_px, *(sheet.outline_px for sheet in measured.sheets)])
    corners = [(0, 0), (0, height - 200), (width - 200, 0), (width - 200, height - 200)]
    x, y = max(corners, key=lambda corner: np.linalg.norm(busy - np.array(corner) - 100, axis=1).min())
    stranger = photo.rgb.copy()
    stranger[y : y + 200, x : x + 200] = (
        np.kron(np.indices((20, 20)).sum(axis=0) % 2, np.ones((10, 10)))[..., None] * 255
    )
    shown = blur_surroundings(replace(photo, rgb=stranger), measured)
    assert np.ptp(shown[y + 50 : y + 150, x + 50 : x + 150].astype(int)) < 60
    for place in busy[::20].astype(int):
        assert (shown[place[1], place[0]] == stranger[place[1], place[0]]).all()
    refused = blur_surroundings(replace(photo, rgb=stranger), replace(measured, outline_px=None))
    assert np.abs(np.diff(refused.astype(int), axis=1)).max() < 12


def test_without_a_sheet_the_ends_are_found_all_the_same(plain):
    truth, photo, _ = plain
    traced = trace_instrument(photo)
    ends = {
        name: np.array(truth["points_px"][name]) for name in ("scroll_top", "body_top_center", "body_bottom_center")
    }
    body = np.linalg.norm(ends["body_top_center"] - ends["body_bottom_center"])
    total = np.linalg.norm(ends["scroll_top"] - ends["body_bottom_center"])
    assert traced.body_length_px == pytest.approx(body, rel=0.02)
    assert traced.total_length_px == pytest.approx(total, rel=0.02)


BOOK = "instrument-sheet-on-book"


def test_without_a_sheet_an_outline_whose_scroll_lies_elsewhere_is_not_believed(plain, monkeypatch):
    """As of a slimmer violin seen from another side, which covers the body as well."""
    _, photo, _ = plain
    seen = see_instrument(photo.rgb)
    lower, scroll = seen.ends_px()
    aside = np.array([lower[1] - scroll[1], scroll[0] - lower[0]])
    for share, believed in ((0.01, True), (0.06, False)):
        moved = replace(seen, points_px=seen.points_px | {"scroll_top": scroll + share * aside})
        monkeypatch.setattr("tests.vision.trace.see_instrument", lambda rgb, moved=moved: moved)
        assert (trace_instrument(photo).outline_px is not None) is believed


def test_the_lower_of_two_sheets_lies_on_the_table():
    measured, true = measured_instrument(BOOK), truth(BOOK)
    assert measured.body_length.value_mm == pytest.approx(true["body_length_mm"], abs=1.0)
    # the book is 30 mm thick; the two sheets' poses give their difference to about a millimetre
    assert measured.detected.setting.table_mm == pytest.approx(-30.0, abs=1.0)
    assert 1.0 <= measured.detected.setting.table_spread_mm < 2.0


def test_a_book_is_seen_by_its_rim(plain):
    assert lies_on_book(photo(BOOK).rgb, detected_instrument(BOOK).camera, 0)
    assert not lies_on_book(plain[1].rgb, plain[2].camera, 0)


def test_what_lies_on_a_book_is_called_what_it_is(plain, monkeypatch):
    monkeypatch.setattr(detecting, "lies_on_book", lambda *_: True)
    camera = plain[2].camera
    card = replace(camera, sheets=(replace(camera.sheets[0], layout=BlankLayout(Blank.CARD)),))
    for view, called in ((camera, "The printed sheet"), (card, "The paper or card")):
        (remark,) = detecting._table(plain[1], view, None)[1]
        assert remark.code == "sheet_on_book"
        assert remark.message.startswith(called)


def test_a_stated_height_of_the_sheet_is_believed(plain):
    _, shown, measured = plain
    lifted = measure_instrument(shown, sheet_height=SheetHeight(30.0))
    assert lifted.detected.setting.table_mm == -30.0
    # the camera is some 0.8 m above the sheet: 30 mm further away make the body 30 / 0.8 m = 3 to 5 % longer
    assert lifted.body_length.value_mm / measured.body_length.value_mm == pytest.approx(1.04, abs=0.01)


def test_an_instrument_said_to_lie_in_its_case_is_smaller_and_less_sure(plain):
    """Nearer to the camera than the sheet, by some 25 mm of 0.8 m; how high cases are is known to 10 mm."""
    _, shown, measured = plain
    in_case = measure_instrument(shown, sheet_height=IN_ITS_CASE)
    raised = in_case.detected.setting.table_mm
    assert raised == 25.0
    exactly = measure_instrument(shown, sheet_height=SheetHeight(-raised))
    assert in_case.body_length.value_mm == pytest.approx(exactly.body_length.value_mm, abs=1.0)  # ribs tell a little
    assert in_case.body_length.value_mm / measured.body_length.value_mm == pytest.approx(0.967, abs=0.01)
    widths = [each.body_length.standard_uncertainty_mm for each in (measured, exactly, in_case)]
    assert widths[0] < widths[1] < 0.5 * widths[2]
    assert in_case.body_length.low_mm < measured.body_length.value_mm * (1 - 0.01)
    assert in_case.problems == measured.problems


def test_the_lower_of_two_sheets_is_not_the_level_of_an_instrument_that_lies_higher(monkeypatch, plain):
    """Where a case holds it up, both sheets lie beside it; otherwise the lower one lies where the instrument does."""
    camera = plain[2].camera
    monkeypatch.setattr(type(camera), "sheet_heights_mm", lambda _: np.array([0.0, -40.0]))
    monkeypatch.setattr(detecting, "_height_spread_mm", lambda *_: 0.5)
    assert detecting._table(plain[1], camera, None)[0].table_mm == -40.0
    assert detecting._table(plain[1], camera, SheetHeight(30.0))[0].table_mm == -40.0
    assert detecting._table(plain[1], camera, IN_ITS_CASE)[0].table_mm == 25.0


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("instrument-on-shoulder-rest", "shoulder_rest_mounted"),
        ("instrument-blurred", "photo_blurred"),
        ("instrument-sheet-cut", "sheet_cut"),
    ],
)
def test_unusable_photos_are_refused_with_the_reason(name, reason):
    measured = measure_instrument(photo(name))
    assert not measured.usable
    assert measured.body_length is None
    assert reason in [problem.code for problem in measured.problems]


def test_half_an_instrument_is_refused(plain):
    _, photo, measured = plain
    left = int(measured.points_px["body_bottom"][0]) + 150  # the lower end lies to the left, beyond the sheet
    cut = replace(photo, rgb=np.ascontiguousarray(photo.rgb[:, left:]), lens=StatedLens())
    refused = measure_instrument(cut)
    assert [problem.code for problem in refused.problems] == ["instrument_cut"]


@pytest.mark.parametrize(("share", "cut"), [(-0.012, False), (0.01, True), (0.03, True), (0.05, True)])
def test_a_scroll_at_the_border_is_refused_and_a_tight_picture_is_not(upright, share, cut):
    rgb, scroll, length = upright
    picture = np.ascontiguousarray(rgb[round(scroll + share * length) :])
    if cut:
        with pytest.raises(Refused) as refusal:
            see_instrument(picture)
        assert refusal.value.problems == (INSTRUMENT_CUT,)
    else:
        assert see_instrument(picture).whole.max() > 0.5


@pytest.fixture
def upright(plain):
    """The same photo turned until the scroll is up: pixels, the scroll's row, the instrument's length."""
    truth, photo, _ = plain
    scroll, lower = (np.array(truth["points_px"][name]) for name in ("scroll_top", "body_bottom_center"))
    up = scroll - lower
    length = float(np.linalg.norm(up))
    side = round(1.5 * length)
    turn = cv2.getRotationMatrix2D((scroll + lower) / 2, float(np.degrees(np.arctan2(up[0], -up[1]))), 1.0)
    turn[:, 2] += side / 2 - (scroll + lower) / 2
    picture = cv2.warpAffine(photo.rgb, turn, (side, side), borderMode=cv2.BORDER_REPLICATE)
    return picture, float(turn[1, :2] @ scroll + turn[1, 2]), length


def narrowed(name, narrow):
    """A sample whose body is as wide from the lower bout up as `narrow` says, over the lower bout; None: as is."""
    seen, taken = detected_instrument(name), photo(name)
    pose, camera = pose_of(seen.traced.start, seen.setting.table_mm), LeanCamera(seen.camera)
    line, (lower, upper) = camera.project(pose.top), camera.project(np.array([pose.body_bottom, pose.body_top]))
    length = float(np.linalg.norm(upper - lower))
    axis = (upper - lower) / length
    aside = np.array([-axis[1], axis[0]])
    levels = np.linspace(0, 1, 101)
    places = (line - lower) @ np.column_stack([axis / length, aside])
    half = np.array([np.abs(places[np.abs(places[:, 0] - y) < 0.012, 1]).max(initial=0.0) for y in levels]) + 1.0
    lowest = int(half[:50].argmax())
    want = half.copy()
    if narrow is not None:
        want[lowest:] = half[lowest] * narrow((levels[lowest:] - levels[lowest]) / (1 - levels[lowest])) + 1.0
    rows, columns = np.mgrid[: taken.rgb.shape[0], : taken.rgb.shape[1]]
    along = ((columns - lower[0]) * axis[0] + (rows - lower[1]) * axis[1]) / length
    across = (columns - lower[0]) * aside[0] + (rows - lower[1]) * aside[1]
    new, old, reach = np.interp(along, levels, want), np.interp(along, levels, half), 0.45 * length
    within = np.abs(across) * old / new
    without = old + (np.abs(across) - new) * (reach - old) / (reach - new)
    far = (along < 0) | (along > 1) | (np.abs(across) > reach)
    way = np.where(far, 0.0, np.sign(across) * np.where(np.abs(across) < new, within, without) - across)
    fetched = ((start + way * step).astype(np.float32) for start, step in zip((columns, rows), aside, strict=True))
    moved = cv2.remap(taken.rgb, *fetched, cv2.INTER_LINEAR)
    sheet = np.zeros(along.shape, np.uint8)
    for each in seen.camera.sheets:
        cv2.fillPoly(sheet, [np.round(each.outline_px).astype(np.int32)], 1)
    return replace(taken, rgb=np.where(sheet[..., None] > 0, taken.rgb, moved))


@pytest.mark.parametrize("name", [PLAIN, "instrument-2", "instrument-3"])
def test_a_body_shaped_like_a_pear_is_no_violin(name):
    pear = narrowed(name, lambda up: np.sqrt(np.clip(1 - up**1.6, 0, 1)) * (1 - 0.45 * up))
    assert [problem.code for problem in measure_instrument(pear).problems] == ["outline_not_found"]


def test_the_same_picture_with_its_own_shape_is_one(plain):
    _, _, measured = plain
    same = measure_instrument(narrowed(PLAIN, None))
    assert same.usable
    assert same.body_length.value_mm == pytest.approx(measured.body_length.value_mm, rel=0.002)


@pytest.mark.parametrize("grey", [0, 128, 255])
def test_a_body_of_which_no_edge_is_seen_is_refused(plain, grey):
    """As of a guitar that the map takes for a violin, or of a violin in the dark."""
    _, photo, _ = plain
    detected = detected_instrument(PLAIN)
    flat = np.full_like(photo.rgb, grey)
    with pytest.raises(Refused) as refusal:
        trace(flat, see_instrument(photo.rgb), LeanCamera(detected.camera), detected.setting)
    assert refusal.value.problems == (OUTLINE_NOT_FOUND,)


def test_a_picture_of_nothing_is_refused():
    grey = np.full((1200, 1600, 3), 128, np.uint8)
    measured = measure_instrument(Photo("nothing.jpg", grey))
    assert not measured.usable
    assert measured.problems
    assert draw_instrument(Photo("nothing.jpg", grey), measured).shape[1] == 1600


def test_no_photo_is_a_wrong_call():
    with pytest.raises(ValueError, match="at least one"):
        Photo("empty", np.zeros((0, 0, 3), np.uint8))


@pytest.mark.parametrize(
    ("end", "share"), [("body_bottom", -0.08), ("body_bottom", 0.08), ("body_top", 0.06), ("scroll_top", 0.2)]
)
def test_an_end_that_contradicts_the_rest_of_the_instrument_makes_no_length(plain, end, share):
    points = {name: np.array(at) for name, at in plain[2].points_px.items()}
    place = points[end] + share * (points["body_top"] - points["body_bottom"])
    with pytest.raises(Refused) as refusal:
        solve_instrument(plain[2].detected, {end: tuple(place)})
    assert [problem.code for problem in refusal.value.problems] == ["points_apart"]


@pytest.mark.parametrize("name", [PLAIN, "instrument-2", "instrument-3"])
def test_true_ends_go_with_the_rest_of_the_instrument(name):
    true = truth(name)["points_px"]
    ends = {"scroll_top": "scroll_top", "body_top": "body_top_center", "body_bottom": "body_bottom_center"}
    detected = detected_instrument(name)
    for end, known in ends.items():
        assert solve_instrument(detected, {end: true[known]}).usable
    assert solve_instrument(detected, {end: true[known] for end, known in ends.items()}).usable


@pytest.mark.parametrize(("across_mm", "along"), [(0, 0.45), (95, 0.3)])
@pytest.mark.parametrize("below", [False, True])
def test_a_sheet_that_lies_on_the_instrument_is_refused_and_one_below_it_is_not(plain, across_mm, along, below):
    """Taken to lie on the table one on the body makes it 5 to 8 % too short; one below is where it is taken to be."""
    _, taken, measured = plain
    body_mm, camera = measured.body_length.value_mm, measured.camera
    pose = pose_of(measured.detected.traced.start, 0.0)
    lift_mm = -float(pose.body_bottom[2]) if below else 10.0
    middle = pose.at(across_mm, along * body_mm, lift_mm)
    half = 0.5 * np.array([pose.across * 297, pose.along * 210])
    corners = np.array([middle + x * half[0] + y * half[1] for x, y in ((1, 1), (1, -1), (-1, -1), (-1, 1))])
    if np.cross(corners[1] - corners[0], corners[3] - corners[0])[2] > 0:
        corners = corners[::-1]
    other = with_sheet(taken, SheetLayout(Paper.A4, 2), camera.project(corners))
    if below:
        over = cv2.fillPoly(np.zeros(taken.rgb.shape[:2], np.uint8), [np.round(measured.outline_px).astype(int)], 1)
        rgb = np.where(over[..., None] > 0, taken.rgb, other.rgb)
        other = replace(other, rgb=np.ascontiguousarray(rgb))
    codes = [problem.code for problem in measure_instrument(other).problems]
    assert ("sheet_on_instrument" in codes) is not below
    assert measured.problems == ()
