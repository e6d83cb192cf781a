"""Growth of the arm: the tables, the prediction, and measurements that contradict it."""

import random
import re
import time

import numpy as np
import pytest
from scipy.stats import norm

from calibration.anthropometry import arm_share, height_cv, median_arm_mm, median_height_mm
from calibration.quantity import Contribution, Length
from service.fit.errors import GrowthError, LengthError
from service.fit.growth import Z_TEN, DatedArm, growth_sentences, is_last_doubted, predict
from service.fit.growth_process import Readings, correlation
from service.fit.verdict import judge
from tests.service.fit.conftest import instrument


@pytest.mark.parametrize(("sex", "median_cm", "cv"), [("boy", 109.96, 0.04214), ("girl", 109.42, 0.04347)])
def test_heights_at_sixty_months(sex, median_cm, cv):
    """WHO Child Growth Standards 2006, height-for-age, 60 months."""
    assert median_height_mm(5.0, sex) == pytest.approx(10 * median_cm, abs=0.1)
    assert height_cv(5.0, sex) == pytest.approx(cv, abs=2e-5)


@pytest.mark.parametrize(
    ("age", "boy_cm", "girl_cm"), [(3, 96.09, 95.06), (6, 115.95, 115.12), (9, 132.57, 132.49), (12, 149.08, 151.23)]
)
def test_heights_at_whole_years(age, boy_cm, girl_cm):
    """WHO 2006 (3 years) and WHO Reference 2007 (6, 9, 12 years), medians."""
    assert median_height_mm(age, "boy") == pytest.approx(10 * boy_cm, abs=0.3)
    assert median_height_mm(age, "girl") == pytest.approx(10 * girl_cm, abs=0.3)
    assert median_height_mm(age) == pytest.approx(5 * (boy_cm + girl_cm), abs=0.3)


def test_arms_stated_as_exact_are_compared_like_others():
    def exact(age, mm):
        return DatedArm(age, Length.stated(mm, 0.0))

    grown = [exact(6.0, 438.0), exact(6.5, 450.0)]
    assert predict(grown).suspects == ()
    assert predict([*grown, exact(7.0, 440.0)]).suspects == (2,)
    assert predict([exact(6.0, 438.0), exact(6.0, 449.0)]).suspects
    assert is_last_doubted([exact(0.0, 450.0), exact(0.1, 450.5)])
    assert not is_last_doubted([exact(0.0, 450.0), exact(0.1, 450.0)])


def test_the_seam_between_the_two_references_is_smooth():
    ages = np.linspace(4.9, 5.3, 81)
    for sex in ("boy", "girl"):
        steps = np.diff(median_height_mm(ages, sex))
        assert np.all(steps > 0)
        assert steps.max() < 1.2


@pytest.mark.parametrize(
    ("age", "boy_mm", "girl_mm"),
    [(3, 359, 355), (4, 388, 386), (6, 440, 437), (8, 489, 486), (10, 535, 538), (12, 585, 593)],
)
def test_arms_by_age(age, boy_mm, girl_mm):
    """WHO median height times the arm's share: the table derived with the share from Snyder 1977."""
    assert median_arm_mm(age, "boy") == pytest.approx(boy_mm, abs=1)
    assert median_arm_mm(age, "girl") == pytest.approx(girl_mm, abs=1)


@pytest.mark.parametrize(("age", "share"), [(3, 0.3720), (5, 0.3808), (7, 0.3836), (9, 0.3878), (12, 0.3939)])
def test_the_arms_share_of_the_height(age, share):
    """Mean of three estimates: segments and lateral reach of Snyder 1977, arm spans of the literature."""
    assert arm_share(age) == pytest.approx(share, abs=0.004)


def test_arms_grow_about_an_inch_a_year():
    """Regression of the individuals of Snyder 1977 on age: 25.1 mm a year; tables: 23 to 29."""
    for age in (4, 6, 8, 10):
        growth = predict([DatedArm(age, Length.stated(float(median_arm_mm(age)), 3))])
        assert 20 < growth.rate_mm_per_year < 30


def test_a_child_keeps_its_place_among_children():
    age, factor = 6.0, 1.06
    growth = predict([DatedArm(age, Length.stated(factor * float(median_arm_mm(age)), 2))], months=12)
    later = growth.points[-1]
    assert factor - 0.01 < later.likely_mm / float(median_arm_mm(age + 1)) < factor
    assert later.low_mm < later.likely_mm < later.high_mm


def test_more_measurements_narrow_the_band():
    one = predict([DatedArm(6.5, Length.stated(450, 6))])
    three = predict([DatedArm(age, Length.stated(arm, 6)) for age, arm in ((5.9, 434), (6.2, 443), (6.5, 450))])
    width = [each.points[0].high_mm - each.points[0].low_mm for each in (one, three)]
    assert width[1] < 0.8 * width[0]


def test_the_band_holds_four_of_five_children():
    """Children drawn from the stated process, measured once to three times, and looked at a year after the last."""
    rng = np.random.default_rng(17)
    ages, u, children = np.array([6.0, 6.5, 7.0, 8.0]), 5.0, 400
    sd = np.hypot(height_cv(ages), 0.013 / 0.385)
    covariance = np.outer(sd, sd) * correlation(np.abs(ages[:, None] - ages[None, :]))
    arms = median_arm_mm(ages) * np.exp(rng.multivariate_normal(np.zeros(4), covariance, children))
    for readings in (1, 3):
        inside = 0
        for child in arms:
            read = child + rng.normal(0, u, 4)
            history = [DatedArm(ages[place], Length.stated(read[place], u)) for place in range(3 - readings, 3)]
            last = predict(history, months=12).points[-1]
            inside += last.low_mm <= child[3] <= last.high_mm
        assert inside / children == pytest.approx(0.8, abs=0.05)
    assert norm.cdf(Z_TEN) == pytest.approx(0.9)


def test_a_childs_own_rate_is_learned():
    """400 to 440 mm in a year, and 430 to 434: the one goes on fast and the other slowly, and neither wholly so."""

    def rate(first: float, second: float) -> float:
        history = [DatedArm(6.0, Length.stated(first, 3)), DatedArm(7.0, Length.stated(second, 3))]
        return predict(history).rate_mm_per_year

    usual = rate(430, 453.5)
    assert rate(400, 440) > usual + 3
    assert rate(430, 434) < usual - 3
    assert rate(430, 434) > 8


def test_a_rate_that_heights_do_not_explain_is_told():
    fast = predict([DatedArm(6.0, Length.stated(400, 2)), DatedArm(7.0, Length.stated(438, 2))])
    assert fast.suspects == ()
    assert fast.unexplained == pytest.approx(38)
    assert "do not explain" in " ".join(each.text() for each in growth_sentences(fast))
    slow = predict([DatedArm(6.0, Length.stated(430, 2)), DatedArm(8.0, Length.stated(448, 2))])
    assert slow.unexplained == pytest.approx(9)  # 18 mm in two years
    usual = predict([DatedArm(6.0, Length.stated(430, 2)), DatedArm(7.0, Length.stated(455, 2))])
    assert usual.unexplained is None


def test_a_likely_mistake_and_an_outgrown_instrument_are_not_said_together(chart):
    history = [DatedArm(6.0, Length.stated(438, 4)), DatedArm(6.5, Length.stated(449, 4))]
    wrong = DatedArm(7.0, Length.stated(560, 4))
    growth = predict([*history, wrong], None, chart, instrument(255, 421))
    text = " ".join(each.text() for each in growth_sentences(growth))
    assert "560 mm at 7 years" in text
    assert "too small" not in text


def test_when_the_instrument_is_outgrown(chart):
    growth = predict([DatedArm(6.0, Length.stated(440, 3))], None, chart, instrument(255, 421))
    assert growth.outgrown is not None
    assert growth.outgrown.early < growth.outgrown.likely < growth.outgrown.late
    assert growth.outgrown.likely == pytest.approx(12 * 30 / growth.rate_mm_per_year, abs=2)
    assert (growth.next_size, growth.next_body_mm) == ("1/4", 280.0)
    assert "becomes too small in about" in growth_sentences(growth)[1].text()
    already = predict([DatedArm(6.0, Length.stated(480, 3))], None, chart, instrument(255, 421))
    assert already.outgrown.likely == 0
    assert "already too small" in growth_sentences(already)[1].text()
    assert "1/4 with a body of about 280 mm, fits already" in growth_sentences(already)[2].text()


def test_what_a_verdict_leaves_open_growth_does_not_claim(chart):
    """An arm of 474 mm is longer than an eighth asks for with a chance of four in five: a verdict lets it be played."""
    growth = predict([DatedArm(6.0, Length.stated(474, 4))], None, chart, instrument(255, 421))
    assert growth.outgrown.likely == 0
    assert [each.text() for each in growth_sentences(growth)[1:]] == [
        "The present instrument becomes too small about now.",
        "The next larger size, 1/4 with a body of about 280 mm, begins to fit about now.",
    ]


def test_when_an_instrument_that_is_too_large_begins_to_fit(chart):
    growth = predict([DatedArm(6.0, Length.stated(410, 3))], None, chart, instrument(255, 421))
    assert growth.fits.likely == pytest.approx(12 * 20 / growth.rate_mm_per_year, abs=2)
    assert re.fullmatch(
        r"The present instrument begins to fit in about \d+ months \(\d+ to \d+\)\.", growth_sentences(growth)[1].text()
    )
    assert len(growth_sentences(growth)) == 2, "and nothing of outgrowing it, nor of a size that is larger still"
    assert growth.as_json()["fits_in_months"]["likely"] == growth.fits.likely
    never = predict([DatedArm(6.0, Length.stated(410, 3))], None, chart, instrument(310, 512))
    assert "will not fit within this time" in growth_sentences(never)[1].text()
    assert predict([DatedArm(6.0, Length.stated(440, 3))], None, chart, instrument(255, 421)).fits is None


def test_the_largest_size_is_never_outgrown(chart):
    growth = predict([DatedArm(12.0, Length.stated(600, 3))], None, chart, instrument(356, 588))
    assert growth.outgrown is None
    assert growth.next_size is None
    assert "of the chart's largest size: it will not become too small" in growth_sentences(growth)[-1].text()


def test_where_the_figures_on_growth_end_before_the_time_asked_for_it_is_said():
    oldest = [DatedArm(13.0, Length.stated(560, 4))]
    ends = "The figures on children's growth used here end at 15 years of age; nothing is said of later."
    farther = predict(oldest, months=25)
    assert farther.points[-1].months == 24
    assert growth_sentences(farther)[1].text() == ends
    assert ends not in [each.text() for each in growth_sentences(predict(oldest, months=24))]


def test_what_contradicts_growth_is_a_likely_mistake():
    history = [(6.0, 438), (6.5, 449), (7.0, 560), (7.5, 473)]
    growth = predict([DatedArm(age, Length.stated(arm, 4)) for age, arm in history])
    assert growth.suspects == (2,)
    without = predict([DatedArm(age, Length.stated(arm, 4)) for age, arm in history if arm != 560])
    assert growth.points[-1].likely_mm == pytest.approx(without.points[-1].likely_mm)
    assert "Measurement 3 (560 mm at 7 years) contradicts growth" in growth_sentences(growth)[-1].text()


def test_a_likely_mistake_is_counted_as_the_measurements_were_given():
    history = [(7.5, 473), (7.0, 560), (6.0, 438), (6.5, 449)]
    growth = predict([DatedArm(age, Length.stated(arm, 4)) for age, arm in history])
    assert growth.suspects == (1,)
    assert "Measurement 2 (560 mm at 7 years)" in growth_sentences(growth)[-1].text()


def test_an_arm_shorter_than_last_year_is_a_likely_mistake():
    growth = predict([DatedArm(6.0, Length.stated(455, 4)), DatedArm(7.0, Length.stated(440, 4))])
    assert growth.suspects == (1,)
    said = growth_sentences(growth)[-1].text()
    assert "Two measurements (440 mm at 7 years, 455 mm at 6 years) contradict one another: one of them" in said
    assert predict([DatedArm(6.0, Length.stated(445, 4)), DatedArm(7.0, Length.stated(466, 4))]).suspects == ()


def test_an_unusual_arm_for_the_age_is_said_to_be_so():
    assert predict([DatedArm(5.0, Length.stated(560, 4))]).unusual
    assert not predict([DatedArm(5.0, Length.stated(420, 4))]).unusual


@pytest.mark.parametrize(
    ("history", "months", "words"),
    [
        ([], 24, "At least one measurement"),
        ([DatedArm(2.0, Length.stated(330, 4))], 24, "from 3 to 13 years; 2 is outside"),
        ([DatedArm(35.0, Length.stated(600, 4))], 24, "35 is outside"),
        ([DatedArm(6.0, Length.stated(440, 4))], 100, "Between 1 and 60 months"),
    ],
)
def test_what_growth_cannot_be_worked_out_from(history, months, words):
    with pytest.raises(GrowthError, match=words):
        predict(history, months=months)


def test_an_impossible_arm():
    with pytest.raises(LengthError, match="44 cm"):
        predict([DatedArm(6.0, Length.stated(44, 1))])


def test_json_has_a_point_a_month():
    found = predict([DatedArm(6.0, Length.stated(440, 4))], "girl", months=18).as_json()
    assert [each["months"] for each in found["points"]] == list(range(19))
    assert found["outgrown_in_months"] is None
    assert found["message"]


def test_the_prediction_ends_with_what_the_tables_bear():
    growth = predict([DatedArm(13.0, Length.stated(600, 5))], months=60)
    assert growth.points[-1].months == 24
    assert "in 24 months" in growth_sentences(growth)[0].text()


@pytest.mark.parametrize(
    ("arms", "doubted"),
    [
        ([(0.0, 489), (0.1, 447)], True),
        ([(0.0, 447), (0.1, 489)], True),
        ([(0.0, 447), (0.1, 452)], False),
        ([(0.0, 447), (2.0, 489)], False),
        ([(0.0, 489), (2.0, 447)], True),
        ([(0.0, 447), (0.1, 489), (0.15, 491)], False),
        ([(0.0, 489), (0.1, 491), (0.15, 447)], True),
    ],
)
def test_without_an_age_the_time_between_tells_which_last_arm_contradicts_the_others(arms, doubted):
    history = [DatedArm(2031 + years, Length.stated(mm, 6.0)) for years, mm in arms]
    assert is_last_doubted(history) is doubted
    aged = [DatedArm(7.0 + years, Length.stated(mm, 6.0)) for years, mm in arms]
    assert predict(aged).doubted is doubted


def test_who_has_outgrown_the_next_size_as_well_is_told_of_the_one_that_a_verdict_names(chart):
    arm, tenth = Length.stated(480, 3), instrument(235, 388)
    growth = predict([DatedArm(9.0, arm)], None, chart, tenth)
    assert growth.next_size == "1/4"
    verdict = judge(arm, tenth, chart)
    assert verdict.instead is not None
    assert verdict.instead.size == growth.next_size
    assert predict([DatedArm(9.0, Length.stated(440, 3))], None, chart, tenth).next_size == "1/8"


def contradicted_one_by_one(readings: Readings) -> list[int]:
    """What `Readings.agreeing` finds, by its definition: each reading foretold anew from all the others."""

    def off(place: int, kept: list[int]) -> float:
        mean, sd = readings.only([each for each in kept if each != place]).foretell(readings.ages[[place]])
        return abs(readings.offsets[place] - mean[0]) / np.hypot(sd[0], np.sqrt(readings.noise[place, place]))

    kept = list(range(len(readings.ages)))
    while len(kept) > 1:
        scores = [round(float(off(place, kept)), 6) for place in kept]
        worst = max(range(len(kept)), key=lambda index: (scores[index], index))
        if scores[worst] <= 3.0:
            break
        kept.pop(worst)
    return kept


def made_up_readings(chance: random.Random, count: int, off_mm: float, u_mm: float) -> Readings:
    ages = sorted(chance.uniform(3, 13) for _ in range(count))
    sheets = (Contribution("print scale", 0.6 * u_mm, f"sheet {number % 2}") for number in range(count))
    arms = [
        Length(250 + 27 * age + chance.gauss(0, off_mm), (Contribution("points", 0.8 * u_mm), sheet))
        for age, sheet in zip(ages, sheets, strict=True)
    ]
    return Readings.of(np.array(ages), arms, None)


@pytest.mark.parametrize(("count", "off_mm", "u_mm"), [(2, 30, 2), (5, 4, 3), (9, 25, 1), (14, 60, 6), (20, 40, 0)])
def test_what_contradicts_the_others_is_what_they_do_not_foretell(count, off_mm, u_mm):
    chance, set_aside = random.Random(f"readings {count}"), 0
    for _ in range(12):
        readings = made_up_readings(chance, count, off_mm, u_mm)
        kept = readings.agreeing()
        assert kept == contradicted_one_by_one(readings)
        set_aside += count - len(kept)
    assert set_aside or off_mm < 10


@pytest.mark.timed
def test_a_hundred_readings_that_contradict_one_another_are_sorted_out_quickly():
    readings = made_up_readings(random.Random("a hundred"), 60, 60, 2)

    def quickest_s(work) -> float:
        times = []
        for _ in range(3):
            start = time.process_time()
            work(readings)
            times.append(time.process_time() - start)
        return min(times)

    assert quickest_s(Readings.agreeing) < quickest_s(contradicted_one_by_one) / 4
