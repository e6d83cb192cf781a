"""A tape reading against the photo."""

from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantity import COVERAGE_FACTOR, Contribution, Length
from service.fit.lengths import BENT_ARM, SEGMENT_U_MM, along_bent_arm, parse_length
from service.fit.tape import SLIPS, check_tape, en_score, tape_sentences, zeta_score
from tests.service.fit.conftest import scaled

PHOTO = Length.stated(455.0, 4.0)
OTHERS = {
    "neck_to_wrist": Length.stated(417.0, 4.0),
    "neck_to_fingertip": Length.stated(546.0, 4.0),
    "shoulder_to_palm": Length.stated(364.0, 6.0),
    "spine_to_palm": Length.stated(494.0, 5.0),
}


def test_scores():
    """Tape 452, U 12 (k = 2); photo 460, U 4: En -0.632, zeta -1.265 (ISO 13528:2022, 9.6 and 9.7; by hand)."""
    tape, photo = Length.stated(452, 6), Length.stated(460, 2)
    assert en_score(tape, photo) == pytest.approx(-0.632, abs=5e-4)
    assert zeta_score(tape, photo) == pytest.approx(-1.265, abs=5e-4)


@given(st.floats(300, 600), st.floats(0.1, 20), st.floats(300, 600), st.floats(0.1, 20))
def test_en_of_one_is_zeta_of_two(x, u, reference, u_reference):
    """With k = 2 in En the two rules say the same."""
    tape, photo = Length.stated(x, u), Length.stated(reference, u_reference)
    assert zeta_score(tape, photo) == pytest.approx(2 * en_score(tape, photo))
    assert en_score(photo, tape) == pytest.approx(-en_score(tape, photo))


@pytest.mark.parametrize(("reading", "shown"), [(455.9, "0.1"), (465.01, "1.01"), (465.2, "1.02"), (466, "1.1")])
def test_a_score_beside_its_limit_does_not_read_as_the_limit(reading, shown):
    """Standard uncertainties of 3 and 4 mm: En is a tenth of the difference (ISO 13528:2022, 9.7; by hand)."""
    said = tape_sentences(check_tape(Length.stated(reading, 3), PHOTO))[0].text()
    assert f"(En {shown}, at most 1 is fine)" in said
    assert ("do not agree" in said) == (reading > 465)


def test_a_shared_cause_is_not_counted_as_a_difference():
    assert abs(zeta_score(scaled(452, 3, 0.01), scaled(460, 3, 0.01))) > abs(
        zeta_score(scaled(452, 3, 0.01, "a"), scaled(460, 3, 0.01, "b"))
    )


def test_a_consistent_pair_becomes_one_better_number():
    check = check_tape(Length.stated(459, 5), PHOTO, OTHERS)
    assert check.outcome == "consistent"
    assert check.likely_slips == ()
    assert check.combined is not None
    assert check.combined.value_mm == pytest.approx((459 / 25 + 455 / 16) / (1 / 25 + 1 / 16))
    assert check.combined.standard_uncertainty_mm == pytest.approx((1 / 25 + 1 / 16) ** -0.5)


@pytest.mark.parametrize(
    ("reading", "slip"),
    [
        (415, "wrist"),
        (547, "fingertip"),
        (366, "shoulder"),
        (495, "spine"),
        (455 / 2.54, "inches_as_cm"),
        (455 * 2.54, "cm_as_inches"),
        (353, "ten_cm_short"),
        (557, "ten_cm_long"),
        (434, "elbow_bent"),
        (328, "underarm"),
    ],
)
def test_the_likely_slip_is_named_first(reading, slip):
    check = check_tape(Length.stated(reading, 3), PHOTO, OTHERS)
    assert check.outcome == "inconsistent"
    assert check.combined is None
    assert check.likely_slips[0].kind.code == slip
    assert check.likely_slips[0].kind.sentence.text() in " ".join(each.text() for each in tape_sentences(check))


def test_slips_that_cannot_be_told_apart_are_both_named():
    check = check_tape(Length.stated(358, 6), PHOTO, OTHERS)
    assert {each.kind.code for each in check.likely_slips} == {"shoulder", "ten_cm_short"}


def test_without_the_photos_other_lengths_bodies_proportions_stand_in():
    check = check_tape(Length.stated(418, 3), PHOTO)
    assert check.likely_slips[0].kind.code == "wrist"
    assert check.slips[0].probability < check_tape(Length.stated(418, 3), PHOTO, OTHERS).slips[0].probability


def test_a_reading_that_nothing_explains_is_said_to_be_so():
    check = check_tape(Length.stated(650, 3), PHOTO, OTHERS)
    assert check.outcome == "inconsistent"
    assert check.likely_slips == ()
    assert "No usual slip" in tape_sentences(check)[1].text()


def test_a_wide_uncertainty_is_no_agreement():
    """|En| is below one, but the reading is just what a tape held to the wrist shows."""
    check = check_tape(Length.stated(416, 3), Length.stated(455, 20), {"neck_to_wrist": Length.stated(416, 3)})
    assert abs(check.en) <= 1
    assert check.outcome == "inconclusive"
    assert check.combined is None


@given(st.floats(60, 1400), st.floats(0.5, 40), st.floats(0.5, 40))
def test_posterior_probabilities_are_probabilities(reading, u_tape, u_photo):
    check = check_tape(Length.stated(reading, u_tape), Length.stated(455, u_photo), OTHERS)
    total = check.right + sum(each.probability for each in check.slips)
    assert 0 <= total <= 1 + 1e-9
    assert len(check.slips) == len(SLIPS) + 1
    assert (check.outcome == "inconsistent") is (abs(check.en) > 1)


def test_json_holds_what_was_found():
    found = check_tape(Length.stated(415, 3), PHOTO, OTHERS).as_json()
    assert found["outcome"] == "inconsistent"
    assert found["likely_slips"][0] == "wrist"
    assert found["combined"] is None
    assert "wrist" in found["message"][1]


def test_a_wide_skew_interval_of_the_photo_counts():
    """A photo that does not know whether the hand lay on the wall says so by its interval, not by its budget."""
    sure = Length(450.0, (Contribution("own", 4.0),))
    unsure = Length(450.0, sure.budget, (440.0, 480.0))
    assert abs(check_tape(Length.stated(465, 3), sure).en) > 1
    assert abs(check_tape(Length.stated(465, 3), unsure).en) < 1
    both = check_tape(Length.stated(452, 3), unsure).combined
    assert both is not None
    assert both.standard_uncertainty_mm == pytest.approx((3**-2 + (30 / COVERAGE_FACTOR) ** -2) ** -0.5, rel=1e-6)


def test_the_proportions_that_stand_in_for_the_photo_are_spread_as_children_are():
    """Neck to wrist is 0.92 of the arm with 3 % between children: 13.7 mm of 455, beside both readings' own errors."""
    readings = [418.6, 418.6 + 13.65]
    weights = [check_tape(Length.stated(each, 0.1), Length.stated(455.0, 0.1)).slips for each in readings]
    wrist = [next(slip.probability for slip in slips if slip.kind.code == "wrist") for slips in weights]
    other = [next(slip.probability for slip in slips if slip.kind.code == "elbow_bent") for slips in weights]
    bent = [exp(-(((each - 0.94 * 455) / (0.025 * 455)) ** 2) / 2) for each in readings]
    ratio = (wrist[1] / other[1] * bent[1]) / (wrist[0] / other[0] * bent[0])
    assert ratio == pytest.approx(exp(-0.5), rel=0.02)


def test_a_hook_is_not_averaged_in():
    """10 mm beside a photo of 455±4: the scores agree, but the end hook explains it nearly as well."""
    photo, tape = Length.stated(455.0, 2.0), Length.stated(465.0, 1.5)
    check = check_tape(tape, photo, OTHERS)
    assert check.outcome != "consistent"
    assert check.combined is None
    assert check.likely_slips[0].kind.code == "hook_long"
    assert check_tape(Length.stated(445.0, 1.5), photo, OTHERS).likely_slips[0].kind.code == "hook_short"


def test_swapped_digits_are_named_with_what_was_meant():
    """546 written for 456 beside a photo of 455."""
    photo = Length.stated(455.0, 4.0)
    check = check_tape(Length.stated(546.0, 3.0), photo, {"neck_to_fingertip": Length.stated(575.0, 4.0)})
    assert check.likely_slips[0].kind.code == "swapped_digits"
    assert "456 mm" in check.likely_slips[0].kind.sentence.text()


def test_a_bent_arm_has_a_way_out():
    """Segments of a child of 1.24 m (Snyder 1977, 7 years: upper arm 224, forearm 181, half a hand)."""
    parts = [Length.stated(each, SEGMENT_U_MM) for each in (100.0, 224.0, 181.0, 75.0)]
    arm = along_bent_arm(*parts)
    assert arm.value_mm == pytest.approx(0.915 * 580)
    assert 2 * arm.standard_uncertainty_mm > 25
    assert "raised arm over its segments" in {part.source for part in arm.budget}
    assert "teacher" in BENT_ARM[-1].text()
    typed = parse_length("100 + 224 + 18.1 cm + 75")
    assert typed.value_mm == pytest.approx(arm.value_mm)
    assert typed.standard_uncertainty_mm == pytest.approx(arm.standard_uncertainty_mm)
