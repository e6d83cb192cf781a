"""An instrument from photo to lengths, on scenes with known truth (they lie beside the checkout)."""

from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy.scenes import scenes
from tests.vision.trace import trace_instrument
from vision.instrument.lengths import BRIDGE_LIFT_MM, NUT_LIFT_MM
from vision.instrument.measure import (
    POINT_NAMES,
    detect_instrument,
    measure_instrument,
    measure_instrument_together,
    solve_instrument,
)
from vision.instrument.overlay import blur_surroundings, draw_instrument
from vision.instrument.sheet_support import lies_on_book
from vision.photo import Photo, load_photo


def violin(shared, number):
    return next(scenes(shared / "scenes", f"violin/{number}"))


@pytest.fixture(scope="module")
def plain(shared):
    """A quarter-size violin with a bow beside it, and what was measured of it."""
    scene = violin(shared, "010")
    photo = load_photo(scene.photo)
    return scene.truth, photo, measure_instrument(photo)


def test_lengths_are_right_and_their_intervals_hold_the_truth(plain):
    truth, _, measured = plain
    assert measured.usable
    assert measured.body_length.value_mm == pytest.approx(truth["body_length_mm"], abs=2.0)
    assert measured.total_length.value_mm == pytest.approx(truth["total_length_mm"], abs=3.0)
    for length, name in (("body_length", "body_length_mm"), ("total_length", "total_length_mm")):
        value = getattr(measured, length)
        assert value.low_mm < truth[name] < value.high_mm


def test_widths_come_with_the_outline(plain):
    truth, _, measured = plain
    for width, name in (("upper", "upper_bout_mm"), ("middle", "waist_mm"), ("lower", "lower_bout_mm")):
        assert getattr(measured, f"{width}_bout_width").value_mm == pytest.approx(truth[name], abs=2.0)


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
    assert picture.shape[0] > photo.rgb.shape[0]
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


def test_the_lower_of_two_sheets_lies_on_the_table(shared):
    scene = violin(shared, "011")
    assert [sheet["on_book"] for sheet in scene.truth["sheets"]] == [True, False]
    measured = measure_instrument(load_photo(scene.photo))
    assert measured.body_length.value_mm == pytest.approx(scene.truth["body_length_mm"], abs=2.0)
    assert measured.detected.setting.table_mm == pytest.approx(-30.0, abs=2.0)


def test_a_book_is_seen_by_its_rim(shared, plain):
    on_book = load_photo(violin(shared, "011").photo)
    assert lies_on_book(on_book.rgb, detect_instrument(on_book).camera, 0)
    assert not lies_on_book(plain[1].rgb, plain[2].camera, 0)


@pytest.mark.parametrize(
    ("number", "reason"), [("000", "shoulder_rest_mounted"), ("006", "photo_blurred"), ("017", "sheet_cut")]
)
def test_unusable_photos_are_refused_with_the_reason(shared, number, reason):
    measured = measure_instrument(load_photo(violin(shared, number).photo))
    assert not measured.usable
    assert measured.body_length is None
    assert reason in [problem.code for problem in measured.problems]


def test_half_an_instrument_is_refused(plain):
    _, photo, measured = plain
    right = int(max(measured.points_px["body_bottom"][0], measured.points_px["body_top"][0])) - 40
    cut = replace(photo, rgb=np.ascontiguousarray(photo.rgb[:, :right]), focal35_mm=None)
    refused = measure_instrument(cut)
    assert [problem.code for problem in refused.problems] == ["instrument_cut"]


def test_a_picture_of_nothing_is_refused():
    grey = np.full((1200, 1600, 3), 128, np.uint8)
    measured = measure_instrument(Photo("nothing.jpg", grey, None))
    assert not measured.usable
    assert measured.problems
    assert draw_instrument(Photo("nothing.jpg", grey, None), measured).shape[1] == 1600


def test_two_photos_together_need_no_height(shared):
    pair = list(scenes(shared / "scenes", "violin_pairs/004"))
    measured = measure_instrument_together([load_photo(scene.photo) for scene in pair])
    truth = pair[0].truth
    assert measured.body_length.value_mm == pytest.approx(truth["body_length_mm"], abs=1.2)
    assert measured.total_length.value_mm == pytest.approx(truth["total_length_mm"], abs=2.0)
    assert measured.body_length.low_mm < truth["body_length_mm"] < measured.body_length.high_mm


def test_photos_of_two_instruments_are_not_solved_together(shared):
    photos = [load_photo(violin(shared, number).photo) for number in ("010", "012")]
    measured = measure_instrument_together(photos)
    assert [problem.code for problem in measured.problems] == ["photos_not_of_one_instrument"]
