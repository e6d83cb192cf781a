"""Where the notes lie on a string."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.fingers import finger_room, finger_sentences, room_difference, semitone_place_mm
from tests.service.fit.conftest import instrument


@pytest.mark.parametrize(("string", "places"), [(327.5, (35.7, 67.6, 82.2, 108.9)), (265.0, (28.9, 54.7, 66.5, 88.1))])
def test_first_position(string, places):
    """L (1 - 2^(-n/12)) for n = 2, 4, 5, 7, by hand."""
    for semitones, place in zip((2, 4, 5, 7), places, strict=True):
        assert semitone_place_mm(string, semitones) == pytest.approx(place, abs=0.05)


@given(st.floats(150, 340))
def test_the_octave_lies_in_the_middle(string):
    assert semitone_place_mm(string, 12) == pytest.approx(string / 2)
    assert semitone_place_mm(string, 0) == 0


def test_a_measured_string_is_used(chart):
    string = Length.stated(235, 1)
    room = finger_room(InstrumentLengths(Length.stated(255, 1), None, string_length=string), Length.stated(60, 2))
    assert room is not None
    assert room.measured
    share = 2 ** (-2 / 12) - 2 ** (-7 / 12)
    assert room.frame.value_mm == pytest.approx(235 * share)
    assert room.frame.standard_uncertainty_mm == pytest.approx(share)
    assert room.frame_by_hand == pytest.approx(235 * share / 60)
    assert "hand" in finger_sentences(room)[-1].text()


def test_an_estimated_string_says_so_and_is_less_sure():
    room = finger_room(instrument(356, 588))
    assert room is not None
    assert not room.measured
    assert room.string_length.value_mm == pytest.approx(328.5)
    assert room.string_length.standard_uncertainty_mm > 4
    assert "estimated" in finger_sentences(room)[1].text()


def test_without_body_and_string_nothing_is_said():
    assert finger_room(InstrumentLengths(None, Length.stated(421, 1))) is None


def test_the_roomier_instrument_is_named():
    small, large = finger_room(instrument(235)), finger_room(instrument(255))
    assert small is not None
    assert large is not None
    assert room_difference(large, small).text().startswith("The first gives")
    assert room_difference(small, large).text().startswith("The second gives")
