"""Typed lengths and sums of lengths."""

import numpy as np
import pytest
import uncertainties
from GTC import ureal
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantity import Contribution, Length, covariance_mm2
from service.fit.assessment import InstrumentLengths
from service.fit.errors import LengthError
from service.fit.lengths import BARE, STATED, linear, parse_length, widened


@pytest.mark.parametrize(
    ("text", "value_mm", "u_mm"),
    [
        ("462±9.8", 462, 5.0),
        ("462+-9.8", 462, 5.0),
        ("462 +/- 9.8 mm", 462, 5.0),
        ("46.2±0.98 cm", 462, 5.0),
        ("46,2 cm ± 9,8 mm", 462, 5.0),
        ("18 1/2 in", 469.9, 7.0),
        ('23"', 584.2, 7.0),
        ("462", 462, 7.0),
        ("18½”", 469.9, 7.0),
        ("18 ½ Zoll", 469.9, 7.0),
        ("18-1/2''", 469.9, 7.0),
        ("46,2 Zentimeter", 462, 7.0),
        ("46,2 centimètres ± 9,8 mm.", 462, 5.0),
        ("４６．２㎝", 462, 7.0),
        ("٤٦٫٢ سم", 462, 7.0),
    ],
)
def test_lengths_are_read_with_their_expanded_uncertainty(text, value_mm, u_mm):
    length = parse_length(text)
    assert length.value_mm == pytest.approx(value_mm)
    assert length.standard_uncertainty_mm == pytest.approx(u_mm, abs=1e-3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("forty", "not a length"),
        ("46", "46 cm"),
        ("18", "18 in"),
        ("46 furlongs", "not a unit"),
        ("4620", "between 200 and 800"),
        ("462±", "not a length"),
        ("-462", "not a length"),
        ("1/0 in", "not a number"),
        ("", "not a length"),
    ],
)
def test_what_is_no_length_is_refused_in_plain_words(text, words):
    with pytest.raises(LengthError, match=words):
        parse_length(text)


@pytest.mark.parametrize(("text", "meant"), [("45", "45 cm"), ("17.5", "17.5 in")])
@pytest.mark.parametrize("kind", ["arm", "tape"])
def test_the_unit_is_guessed_by_what_an_arm_can_be(text, meant, kind):
    """A tape reading may be 175 mm, by some slip; but nobody who types 17.5 means that."""
    with pytest.raises(LengthError, match=f"Did you mean {meant}"):
        parse_length(text, kind)


@given(st.floats(200, 790), st.floats(0, 50))
def test_the_unit_makes_no_difference(value, spread):
    in_mm = parse_length(f"{value:.6f}±{spread:.6f}")
    in_cm = parse_length(f"{value / 10:.7f}±{spread / 10:.7f} cm")
    assert in_cm.value_mm == pytest.approx(in_mm.value_mm, abs=1e-4)
    assert in_cm.standard_uncertainty_mm == pytest.approx(in_mm.standard_uncertainty_mm, abs=1e-4)


def test_sums_agree_with_two_independent_libraries():
    """Shared causes keep their sign in a difference; oracles: `uncertainties` and GTC."""
    scale, a, b = 0.004, 3.0, 1.2
    arm = Length(460.0, (Contribution("scale", 460 * scale, "s"), Contribution("own", a)))
    body = Length(255.0, (Contribution("scale", 255 * scale, "s"), Contribution("own", b)))
    ours = linear([(1.0, arm), (-1.7, body)])

    common = uncertainties.ufloat(0, scale)
    theirs = 460 * (1 + common) + uncertainties.ufloat(0, a) - 1.7 * (255 * (1 + common) + uncertainties.ufloat(0, b))
    shared = ureal(0, scale)
    third = 460 * (1 + shared) + ureal(0, a) - 1.7 * (255 * (1 + shared) + ureal(0, b))
    assert ours.value_mm == pytest.approx(theirs.nominal_value)
    assert ours.standard_uncertainty_mm == pytest.approx(theirs.std_dev)
    assert ours.standard_uncertainty_mm == pytest.approx(third.u)
    assert covariance_mm2(ours, arm) == pytest.approx((460 - 1.7 * 255) * scale * 460 * scale)


def test_sum_of_four_normal_inputs():
    """JCGM 101:2008, 9.2.2: four inputs N(0, 1) give u = 2.0 and the interval -3.92 to 3.92."""
    total = linear([(1.0, Length.stated(0.0, 1.0)) for _ in range(4)])
    assert total.standard_uncertainty_mm == pytest.approx(2.0)
    assert (total.low_mm, total.high_mm) == pytest.approx((-3.92, 3.92), abs=5e-3)


def test_sum_with_one_dominant_rectangular_input():
    """JCGM 101:2008, 9.2.4: sd 1, 1, 1, 10 give u = 10.1; the normal interval of the GUM is -19.9 to 19.9."""
    total = linear([(1.0, Length.stated(0.0, u)) for u in (1.0, 1.0, 1.0, 10.0)])
    assert total.standard_uncertainty_mm == pytest.approx(10.1, abs=0.05)
    assert total.high_mm == pytest.approx(19.9, abs=0.05)


def test_a_skewed_interval_is_not_lost():
    skewed = Length(460.0, (Contribution("scale", 2.0, "s"),), interval_mm=(450.0, 464.0))
    wide = widened(skewed)
    assert wide.standard_uncertainty_mm == pytest.approx(10 / 1.959964, rel=1e-6)
    assert covariance_mm2(wide, skewed) == pytest.approx(4.0)


def test_a_normal_interval_is_left_alone():
    plain = Length.stated(460.0, 4.0)
    assert widened(plain) is plain
    assert np.isclose(widened(Length(460.0, plain.budget, (459.0, 461.0))).standard_uncertainty_mm, 4.0)


def test_a_viola_is_refused_and_not_judged_as_a_violin():
    with pytest.raises(LengthError, match="Violas and larger instruments are not judged here"):
        parse_length("400", "body")
    with pytest.raises(LengthError, match="is no violin"):
        InstrumentLengths(Length.stated(335, 1.0), None, "Viola 13")


def test_the_cause_of_a_typed_length_is_named():
    assert [part.source for part in parse_length("450").budget] == [BARE.template]
    assert [part.source for part in parse_length("450±8").budget] == [STATED.template]
    for text in ("450", "450±8"):
        assert [part.source for part in parse_length(text, source="tape").budget] == ["tape"]


def test_a_refused_length_is_told_as_its_reader_writes_and_without_decimals_nobody_can_read() -> None:
    with pytest.raises(LengthError) as refused:
        parse_length("1675.7437", "arm")
    assert refused.value.sentence.text(language="de").startswith("1.675,7 mm ")
    with pytest.raises(LengthError) as short:
        parse_length("0.446", "arm")
    assert short.value.sentence.text().startswith("0.446 mm ")
