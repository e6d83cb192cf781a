"""What to try at the chin and at the shoulder."""

import numpy as np
import pytest

from calibration.quantity import Length
from service.fit.chart_table import default_chart
from service.fit.decision import Action
from service.fit.explanation import verdict_text
from service.fit.setup import CHIN_REST_MM, NOTHING_TO_TRY, REST_MM, Build, set_up, set_up_sentences, to_try
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from service.words.i18n import translator
from tests.service.fit.conftest import instrument


def test_a_longer_neck_asks_for_more():
    short, long = set_up(False, Build(Length.stated(60.0, 3.0))), set_up(False, Build(Length.stated(100.0, 3.0)))
    assert long.chin_rest_mm > short.chin_rest_mm
    assert long.to_fill_mm[0] > short.to_fill_mm[1]
    for found in (short, long):
        assert CHIN_REST_MM[0] <= found.chin_rest_mm[0] <= found.chin_rest_mm[1] <= CHIN_REST_MM[1]
        assert REST_MM[0] <= found.shoulder_rest_mm[0] <= found.shoulder_rest_mm[1] <= REST_MM[1]
    assert long.to_fill_mm == pytest.approx((100 - 3 - 31 - 10, 100 + 3 - 28 - 10), abs=2.5)


def test_where_the_highest_chin_rest_is_left_no_range_is_named():
    (line, *_) = set_up_sentences(set_up(False, Build(Length.stated(118.0, 6.0))))
    assert f"a chin rest of {CHIN_REST_MM[1]:.0f} mm and a sponge" in line.text().replace("\u00a0", " ")
    german = line.text(translator("de"), "de").replace("\u00a0", " ")
    assert f"einen Kinnhalter von {CHIN_REST_MM[1]:.0f} mm und" in german
    assert " bis " in german.split("Schulterstütze")[1]


def test_a_poorer_measurement_gives_wider_ranges():
    sure, unsure = (set_up(True, Build(Length.stated(85.0, u))) for u in (1.0, 8.0))
    assert unsure.to_fill_mm[0] < sure.to_fill_mm[0] < sure.to_fill_mm[1] < unsure.to_fill_mm[1]


def test_what_hair_hides_is_said_to_be_not_measured():
    words = " ".join(each.text() for each in set_up_sentences(set_up(True)))
    assert words.count("not measured") == 2
    assert set_up(True).as_json()["chin_rest_mm"] is None


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_verdict_in_full_says_what_of_the_set_up_is_not_measured(language):
    verdict = judge(Length.stated(450.0, 4.0), instrument(255, 421), default_chart())
    written = [each.text(translator(language), language) for each in set_up_sentences(set_up(verdict.small))]
    full, short = (
        verdict_text(verdict, translator(language), language, full=each).splitlines() for each in (True, False)
    )
    assert [line for line in full if line in written] == written
    assert not set(written) & set(short)
    assert all({"en": "not measured", "de": "nicht gemessen"}[language] in line for line in written)


@pytest.mark.parametrize(("fall", "words"), [(90, "towards the chest"), (30, "flat rest"), (56, "28 to 36 are usual")])
def test_a_sloping_shoulder_is_told(fall, words):
    lines = set_up_sentences(
        set_up(True, Build(Length.stated(70.0, 4.0), Length.stated(fall, 4.0), Length.stated(90.0, 4.0)))
    )
    assert words in lines[1].text()


def test_a_slope_is_the_arc_tangent_of_fall_over_run():
    """45 degrees where both are alike; its uncertainty as drawn by lot (JCGM 101:2008)."""
    build = Build(None, Length.stated(80.0, 5.0), Length.stated(80.0, 7.0))
    low, likely, high = build.slope_deg
    assert likely == pytest.approx(45.0)
    rng = np.random.default_rng(5)
    drawn = np.degrees(np.arctan2(rng.normal(80, 5, 200_000), rng.normal(80, 7, 200_000)))
    assert (high - low) / 2 / 1.96 == pytest.approx(float(drawn.std()), rel=0.02)
    assert Build(None, Length.stated(80.0, 5.0)).slope_deg is None


def test_what_was_measured_is_said_where_set_up_comes_first():
    """A pressed wrist with a fitting instrument: what to try stands in the short answer, with the neck's length."""
    arm, build = Length.stated(452.0, 3.0), Build(Length.stated(82.0, 9.0))
    first = judge(arm, instrument(255, 421), default_chart(), PlayingSigns(wrist_free=False), build=build)
    assert first.action is Action.SET_UP
    assert "From the chin to the height of the shoulder 82 mm" in verdict_text(first)
    assert len(verdict_text(first).splitlines()) <= 6
    silent = judge(arm, instrument(255, 421), default_chart(), PlayingSigns(wrist_free=False))
    assert "not measured" not in verdict_text(silent)
    assert "not measured" in verdict_text(silent, full=True)


def test_a_neck_that_is_hardly_known_asks_for_nothing_in_particular():
    lines = set_up_sentences(set_up(True, Build(Length.stated(80.0, 25.0))))
    assert "not known well enough to say which chin rest" in lines[0].text()
    assert "try a chin rest" in set_up_sentences(set_up(True, Build(Length.stated(80.0, 12.0))))[0].text()


NECKS = {"known": Length.stated(82.0, 9.0), "hardly known": Length.stated(80.0, 25.0)}
FALLS = {"slopes": Length.stated(90.0, 4.0), "in between": Length.stated(56.0, 4.0), "hidden": None}


@pytest.mark.parametrize("neck", NECKS)
@pytest.mark.parametrize("fall", FALLS)
def test_a_family_reads_what_to_try_and_that_nothing_is_known_once(neck, fall):
    """A pressed wrist with a fitting instrument; of a shoulder or a neck that tells nothing, nothing is said."""
    build = Build(NECKS[neck], FALLS[fall], Length.stated(90.0, 4.0))
    strained = PlayingSigns(wrist_free=False)
    verdict = judge(Length.stated(452.0, 3.0), instrument(255, 421), default_chart(), strained, build=build)
    found = set_up(verdict.small, build)
    said = [each for each in to_try(found) if each is not None]
    short = verdict_text(verdict)
    assert all(each.text() in short for each in said)
    expected = [line for line in set_up_sentences(found) if "common practice" in line.text()]
    assert said == (expected or [NOTHING_TO_TRY])
    assert short.count("not known well enough") == (0 if expected else 1)
    assert "not measured" not in short
