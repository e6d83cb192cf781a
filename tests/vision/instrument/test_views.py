"""One instrument from several photos: heights by parallax, what is common, and what does not go with the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import checked_camera
from calibration.detection import find_sheets
from calibration.lens import StatedLens
from calibration.problems import Refused
from tests.vision.sample_photos import detected_instrument, measured_instrument, photo, truth
from vision.instrument.measure import measure_instrument, solve_instrument
from vision.instrument.sheet_height import IN_ITS_CASE, ON_A_BOOK, SheetHeight
from vision.instrument.views import LEAST_SPREAD_DEG, measure_instrument_together, solve_together
from vision.photo import Photo
from vision.problems import INSTRUMENT_LEFT_OUT, INSTRUMENT_STEP_ASIDE, STATED_HEIGHT

THREE = ("instrument-5-a", "instrument-5-b", "instrument-5-c")
BODY_MM, TOTAL_MM = 208.58, 350.67
"""As the truth of the sequence that they are of says."""


def test_two_photos_together_need_no_height():
    names = ("instrument-4-first", "instrument-4-second")
    measured = solve_together([detected_instrument(name) for name in names])
    true, alone = truth(names[0]), measured_instrument(names[0])
    # README's table: of two photos together 95 % are within 0.5 mm of the body and 0.6 of the total
    assert measured.body_length.value_mm == pytest.approx(true["body_length_mm"], abs=0.6)
    assert measured.total_length.value_mm == pytest.approx(true["total_length_mm"], abs=1.2)
    assert measured.body_length.low_mm < true["body_length_mm"] < measured.body_length.high_mm
    assert measured.body_length.standard_uncertainty_mm < alone.body_length.standard_uncertainty_mm


@pytest.mark.parametrize("height_mm", [20.0, 40.0, 60.0])
def test_how_high_an_instrument_lies_is_seen_by_three_photos(height_mm):
    """Taken to lie that far below the sheet, as one in an open case is: one photo makes it 3 to 11 % too long."""
    photos = [photo(name) for name in THREE]
    together = measure_instrument_together(photos, sheet_height=SheetHeight(height_mm))
    assert together.body_length.value_mm == pytest.approx(BODY_MM, abs=0.6)
    assert together.total_length.value_mm == pytest.approx(TOTAL_MM, abs=1.2)
    alone = measure_instrument(photos[0], sheet_height=SheetHeight(height_mm))
    assert alone.body_length.value_mm > BODY_MM * (1 + height_mm / 1000.0)


@pytest.mark.parametrize(
    ("height", "contradicted"),
    [
        (None, False),
        (SheetHeight(0.0), False),
        (SheetHeight(3.0), False),
        (SheetHeight(10.0), True),
        (SheetHeight(-10.0), True),
        (SheetHeight(-30.0), True),
        (SheetHeight(10.0, 10.0), False),
        (IN_ITS_CASE, True),
        (ON_A_BOOK, True),
    ],
)
def test_a_height_that_three_photos_contradict_is_said_to_be_otherwise(height, contradicted):
    """They lie on one table."""
    together = measure_instrument_together([photo(name) for name in THREE], sheet_height=height)
    assert together.problems == ((STATED_HEIGHT,) if contradicted else ())
    assert [view.problems for view in together.views] == 3 * [together.problems]


def test_photos_from_one_place_contradict_no_height():
    measured = measure_instrument_together([photo(THREE[0])] * 2, sheet_height=SheetHeight(30.0))
    assert measured.problems == (INSTRUMENT_STEP_ASIDE,)


PAIR = ("instrument-4-first", "instrument-4-second")


@pytest.mark.parametrize("height_mm", [-40.0, 15.0, 40.0])
def test_two_photos_do_not_tell_one_that_lies_higher_from_one_that_was_moved(height_mm):
    together = measure_instrument_together([photo(name) for name in PAIR], sheet_height=SheetHeight(height_mm))
    assert [problem.code for problem in together.problems] == ["raised_or_moved"]
    assert together.body_length is None


@pytest.mark.parametrize("height", [SheetHeight(5.0), IN_ITS_CASE, ON_A_BOOK])
def test_two_photos_tell_how_high_it_lies_within_what_is_said_of_it(height):
    together = measure_instrument_together([photo(name) for name in PAIR], sheet_height=height)
    assert together.body_length.value_mm == pytest.approx(245.25, abs=0.6)
    assert together.total_length.value_mm == pytest.approx(418.67, abs=1.2)


def test_a_sheet_that_was_moved_between_two_photos_is_noticed():
    """Moved by 3 cm in the picture, along the way from one camera to the other and across it."""
    first, second = (detected_instrument(name) for name in PAIR)
    ways = second.camera.position_mm - first.camera.position_mm
    for degrees in range(0, 360, 45):
        turn = np.radians(degrees) + np.arctan2(ways[1], ways[0])
        corners = np.array([[0.0, 0.0, 0.0], [30.0 * np.cos(turn), 30.0 * np.sin(turn), 0.0]])
        by_px = np.diff(second.camera.project(corners), axis=0)[0]
        sheets = tuple(replace(sheet, corner_px=sheet.corner_px + by_px) for sheet in second.camera.sheets)
        moved = replace(second, camera=replace(second.camera, sheets=sheets))
        with pytest.raises(Refused) as refused:
            solve_together([first, moved])
        assert {problem.code for problem in refused.value.problems} <= {
            "raised_or_moved",
            "photos_not_of_one_instrument",
        }


def test_photos_in_which_different_sheets_are_seen_best_are_solved_together(monkeypatch):
    """A glare on a corner of one sheet, in one photo, makes the other one the better seen there."""
    photos = [photo("instrument-4-first"), photo("instrument-4-second")]

    def seen(image):
        sheets = find_sheets(image)
        return sheets[::-1] if image is photos[1].rgb else sheets

    monkeypatch.setattr(checked_camera, "find_sheets", seen)
    measured = measure_instrument_together(photos)
    usual = solve_together([detected_instrument(each) for each in ("instrument-4-first", "instrument-4-second")])
    assert measured.body_length.value_mm == pytest.approx(usual.body_length.value_mm, abs=0.05)
    assert measured.body_length.standard_uncertainty_mm == pytest.approx(
        usual.body_length.standard_uncertainty_mm, rel=0.02
    )


@pytest.mark.parametrize(
    "names",
    [("instrument-1", "instrument-2"), ("instrument-1", "instrument-3"), ("instrument-3", "instrument-1")],
    ids=" ".join,
)
def test_photos_of_two_instruments_are_not_solved_together(names):
    """Also where the fit runs away: a tenth beside a quarter (the second and third pair)."""
    with pytest.raises(Refused) as refused:
        solve_together([detected_instrument(name) for name in names])
    assert [problem.code for problem in refused.value.problems] == ["photos_not_of_one_instrument"]


def test_two_instruments_given_as_one_are_refused_not_raised():
    measured = measure_instrument_together([photo("instrument-1"), photo("instrument-3")])
    assert [problem.code for problem in measured.problems] == ["photos_not_of_one_instrument"]
    assert not measured.usable


def test_three_photos_tell_more_than_two_and_two_more_than_one():
    measured = [solve_together([detected_instrument(name) for name in THREE[:count]]) for count in (2, 3)]
    widths = [each.body_length.standard_uncertainty_mm for each in (measured_instrument(THREE[0]), *measured)]
    assert widths[0] > widths[1] > widths[2]
    two, three = measured
    # the height of the scroll, which is believed half as much as in one photo, takes a third view
    assert three.total_length.standard_uncertainty_mm < 0.8 * two.total_length.standard_uncertainty_mm
    assert (three.used, three.left_out, three.problems) == ((0, 1, 2), (), ())
    assert three.viewpoints_deg > 2 * LEAST_SPREAD_DEG
    assert three.body_length.value_mm == pytest.approx(BODY_MM, abs=0.6)
    assert three.total_length.value_mm == pytest.approx(TOTAL_MM, abs=0.8)


def test_what_the_photos_share_does_not_average_away():
    """The print is one, and most of the edges' shift is the instrument's; seen once more, a photo adds little."""
    one, two = detected_instrument(THREE[0]), detected_instrument(THREE[1])
    twice = solve_together([one, two, one, two])
    once = solve_together([one, two])

    def parts(measured) -> dict[str, float]:
        return {part.source: part.contribution_mm for part in measured.body_length.budget}

    for cause in ("size of the print", "definition"):
        assert parts(twice)[cause] == pytest.approx(parts(once)[cause], rel=0.01)
    assert parts(twice)["light along the edge"] == pytest.approx(parts(once)["light along the edge"], rel=0.05)
    assert parts(twice)["where the edge is seen"] > 0.6 * parts(once)["where the edge is seen"]


def test_photos_from_one_place_ask_for_a_step_to_the_side():
    one = detected_instrument(THREE[0])
    measured = solve_together([one, one])
    assert measured.usable
    assert measured.viewpoints_deg == pytest.approx(0.0, abs=0.1)
    assert measured.problems == (INSTRUMENT_STEP_ASIDE,)
    # heights are then believed as much as in one photo; this is twice the same, and so are its corners
    alone = measured_instrument(THREE[0]).body_length.standard_uncertainty_mm
    assert measured.body_length.standard_uncertainty_mm == pytest.approx(alone, rel=0.25)


@pytest.mark.parametrize("odd", ["instrument-1", "instrument-3"])
@pytest.mark.parametrize("place", [0, 2])
def test_a_photo_of_another_instrument_is_left_out_of_three(odd, place):
    names = list(THREE[:2])
    names.insert(place, odd)
    measured = solve_together([detected_instrument(name) for name in names])
    assert measured.left_out == (place,)
    assert measured.used == tuple(number for number in range(3) if number != place)
    assert measured.body_length.value_mm == pytest.approx(BODY_MM, abs=1.0)


def test_a_photo_that_shows_too_little_is_left_out_and_named():
    nothing = Photo("nothing.jpg", np.full((1200, 1600, 3), 128, np.uint8))
    measured = measure_instrument_together([nothing, photo(THREE[0]), photo(THREE[1])])
    assert (measured.used, measured.left_out) == ((1, 2), (0,))
    assert measured.problems == (INSTRUMENT_LEFT_OUT,)
    assert measured.photo == "instrument-5-a.jpg + instrument-5-b.jpg"
    two = measure_instrument_together([nothing, photo(THREE[0])])
    assert not two.usable
    assert [problem.code for problem in two.problems] == ["no_sheet"]
    assert measured.unseen == two.unseen == {0: two.problems}


def test_of_a_film_one_frame_is_enough_and_none_is_named():
    filmed = StatedLens(film=True)
    blank = Photo("f", np.full((1200, 1600, 3), 128, np.uint8), filmed, film_s=1.0)
    frames = [replace(photo(THREE[0]), lens=filmed, film_s=0.5), blank]
    for frame in frames:
        assert frame.film
    measured = measure_instrument_together(frames)
    assert measured.usable
    assert (measured.used, measured.left_out, measured.viewpoints_deg) == ((0,), (1,), None)
    assert INSTRUMENT_LEFT_OUT not in measured.problems


def test_no_photo_is_a_wrong_call():
    with pytest.raises(ValueError, match="no photo"):
        measure_instrument_together([])
    with pytest.raises(ValueError, match="no photo"):
        solve_together([])


def three() -> list:
    return [detected_instrument(name) for name in THREE]


def mm(measured) -> tuple[float, float]:
    return measured.body_length.value_mm, measured.total_length.value_mm


def test_where_no_end_is_set_nothing_changes():
    assert mm(solve_together(three(), {})) == mm(solve_together(three()))
    assert solve_together(three(), {1: {}}).body_length == solve_together(three()).body_length


@pytest.mark.parametrize("view", [0, 1, 2])
@pytest.mark.parametrize("end", ["body_bottom", "body_top", "scroll_top"])
def test_an_end_set_where_it_was_found_changes_little(view, end):
    before = solve_together(three())
    after = solve_together(three(), {view: {end: before.views[view].points_px[end]}})
    assert mm(after) == pytest.approx(mm(before), abs=0.25)
    assert after.used == (0, 1, 2)
    assert after.views[view].points_px[end] == pytest.approx(before.views[view].points_px[end], abs=1.0)


def moved_along(measured, view: int, end: str, px: float) -> dict[int, dict[str, tuple[float, float]]]:
    """An end set some pixels outwards of where it was found, in one view."""
    points = measured.views[view].points_px
    other = "body_bottom" if end != "body_bottom" else "scroll_top"
    out = np.subtract(points[end], points[other])
    x, y = np.asarray(points[end]) + px * out / np.linalg.norm(out)
    return {view: {end: (float(x), float(y))}}


@pytest.mark.parametrize(("end", "length"), [("body_bottom", 0), ("scroll_top", 1)])
def test_an_end_set_in_one_view_goes_for_all_the_more_the_further_it_is_moved(end, length):
    """Close to where the views had it they count with it; far off they misled the program, and the hand goes."""
    before = solve_together(three())

    def both_mm(px: float) -> tuple[float, float]:
        moved = moved_along(before, 1, end, px)
        together = solve_together(three(), moved)
        assert (together.used, together.left_out) == ((0, 1, 2), ())
        return mm(together)[length], mm(solve_instrument(three()[1], moved[1]))[length]

    at_first = both_mm(0.0)
    followed = []
    for px in (1.0, 10.0, 25.0):
        together, single = (now - then for now, then in zip(both_mm(px), at_first, strict=True))
        followed.append(together / single)
    assert 0.02 < followed[0] < 0.65
    assert followed[0] < followed[1] < followed[2] + 0.05
    assert 0.95 < followed[2] < 1.1
    after = solve_together(three(), moved_along(before, 1, end, 25.0))
    # one end set in one photo says less than all photos did; its height is believed half as much as in one photo
    alone = solve_instrument(three()[1], moved_along(before, 1, end, 25.0)[1])
    kind = ("body_length", "total_length")[length]
    now, then = getattr(after, kind).standard_uncertainty_mm, getattr(before, kind).standard_uncertainty_mm
    assert then < now < 1.2 * getattr(alone, kind).standard_uncertainty_mm


def test_a_hand_that_sets_an_end_in_several_photos_errs_alike_in_them():
    before = solve_together(three())
    every = {n: {"scroll_top": before.views[n].points_px["scroll_top"]} for n in range(3)}
    once = solve_together(three(), {0: every[0]})
    often = solve_together(three(), every)

    def ends_mm(measured) -> float:
        return next(
            part.contribution_mm for part in measured.total_length.budget if part.source == "where the ends are seen"
        )

    assert mm(often) == pytest.approx(mm(before), abs=0.3)
    assert ends_mm(often) > 0.5 * ends_mm(once)


def test_every_view_shows_the_same_instrument():
    measured = solve_together(three())
    assert len(measured.views) == len(measured.seen) == 3
    for view, seen, name in zip(measured.views, measured.seen, THREE, strict=True):
        alone = measured_instrument(name)
        assert view.body_length is measured.body_length
        assert view.sheets == seen.camera.sheets
        assert set(view.points_px) == set(alone.points_px)
        for end in ("scroll_top", "body_top", "body_bottom"):
            assert view.points_px[end] == pytest.approx(alone.points_px[end], abs=4.0)
        assert np.abs(view.outline_px - alone.outline_px).max() < 8.0
    assert measured.views[0].points_px == measured.points_px
