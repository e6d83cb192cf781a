"""Which further measurement would settle an open verdict."""

import json
from dataclasses import replace

import numpy as np
import pytest

from calibration.quantity import COVERAGE_FACTOR, Contribution, Length, combine
from service.fit import next_step
from service.fit.assessment import with_prior
from service.fit.choosing import choose
from service.fit.decision import Action
from service.fit.explanation import to_do
from service.fit.lengths import parse_length, widened
from service.fit.next_step import SETTLED, STEPS, counting_first, joint_variance
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from service.fit.weighing import ACTIONS, Items
from tests.readme import MEASURED
from tests.service.fit.conftest import instrument


def test_where_the_numbers_say_enough_nothing_is_measured_again(chart):
    assert judge(Length.stated(450, 3), instrument(255, 421), chart).steps == ()
    assert judge(Length.stated(390, 8), instrument(255, 421), chart).steps == ()


def test_steps_are_sorted_by_gain_and_are_worth_it(chart):
    verdict = judge(Length.stated(470, 4), instrument(280, 463), chart)
    assert verdict.action is Action.MEASURE
    gains = [each.gain_days for each in verdict.steps]
    assert gains == sorted(gains, reverse=True)
    assert gains[-1] > 0
    assert all(0 <= each.settles <= 1 for each in verdict.steps)


def test_the_weakest_link_is_measured_again(chart):
    poor_arm = judge(Length.stated(474, 12), instrument(280, 463, 0.5), chart).steps
    poor_instrument = judge(Length.stated(474, 1), instrument(280, 463, 12), chart).steps
    assert poor_arm[0].step.arm_u_mm is not None
    assert poor_instrument[0].step.body_u_mm is not None


def test_signs_of_strain_are_settled_before_anything_is_measured(chart):
    verdict = judge(Length.stated(471, 4), instrument(280, 463), chart, PlayingSigns(painless=False))
    assert verdict.action is Action.STOP
    assert verdict.steps == ()


def test_the_chance_of_settling_against_simulation(chart):
    """Draw the true margin as believed, a further reading, and judge anew."""
    u_arm, one = 5.0, instrument(280, 463, 0.2)
    verdict = judge(Length.stated(471, u_arm), one, chart)
    step = next(each for each in STEPS if each.code == "tape_arm")
    promised = next(each for each in verdict.steps if each.step is step)
    rng = np.random.default_rng(11)
    mean, sd = with_prior(np.array(verdict.margin.value_mm), np.array(verdict.margin.standard_uncertainty_mm))
    settled = 0
    for _ in range(600):
        arm = verdict.shortest_arm_mm + rng.normal(float(mean), float(sd))
        reading = rng.normal(arm, step.arm_u_mm)
        weights = np.array([u_arm**-2, step.arm_u_mm**-2])
        both = (471 * weights[0] + reading * weights[1]) / weights.sum()
        choices = choose(Length.stated(float(both), float(weights.sum() ** -0.5)), [one], chart)
        settled += ACTIONS[choices.weighed.action[0]] in SETTLED
    assert promised.settles == pytest.approx(settled / 600, abs=0.08)


def test_an_arm_that_a_tape_was_laid_along_is_not_asked_for_a_tape_as_if_it_were_not(chart):
    by_tape = judge(parse_length("471"), instrument(280, 463), chart)
    otherwise = judge(parse_length("471±14"), instrument(280, 463), chart)
    assert (
        to_do(by_tape).text().startswith("Measure once more before you decide: Measure the arm with a tape once more")
    )
    assert "tape once more" not in to_do(otherwise).text()
    assert [each.step.code for each in by_tape.steps] == [each.step.code for each in otherwise.steps]


def test_a_reading_that_waits_comes_before_every_other_one(chart):
    verdict = judge(Length.stated(471, 12), instrument(280, 463), chart)
    counted = replace(verdict, steps=counting_first(verdict.steps))
    assert [each.step.code for each in counted.steps].count("count_tape") == 1
    assert to_do(counted).text() == "Count the tape reading that agrees with the photo, then decide."
    assert "tape_arm" not in [each.step.code for each in counted.steps]
    assert counting_first(()) == ()


def test_no_reading_saves_more_than_knowing_for_certain(chart):
    """The expected value of sample information is at most that of perfect information (Raiffa and Schlaifer)."""
    for arm in (462, 468, 472, 476):
        for u in (3.0, 6.0, 12.0):
            choices = choose(Length.stated(arm, u), [instrument(280, 463, 0.5)], chart)
            loss = float(choices.weighed.loss[0])
            for each in choices.steps.get(0, ()):
                assert each.gain_days < loss


def test_a_further_photo_does_not_average_away_what_it_shares(chart):
    """Two readings with variances and covariance as `combine` has them."""

    def reading(value, own, shared):
        return Length(value, (Contribution("own", own), Contribution("build", shared, "arm:build")))

    both = combine([reading(450, 6, 4), reading(452, 3, 4)])
    assert joint_variance(52, 25, 16) == pytest.approx(both.standard_uncertainty_mm**2)
    assert joint_variance(52, 25, 0) == pytest.approx(1 / (1 / 52 + 1 / 25))
    assert joint_variance(16, 16, 16) == 16
    alone = judge(Length.stated(471, 7), instrument(280, 463), chart).steps
    sharing = judge(reading(471, 33**0.5, 4), instrument(280, 463), chart).steps
    gain = [{each.step.code: each.gain_days for each in steps} for steps in (alone, sharing)]
    assert gain[1].get("arm_against_wall", 0.0) < gain[0]["arm_against_wall"] - 0.1
    assert gain[1]["tape_arm"] == pytest.approx(gain[0]["tape_arm"])


def test_a_second_instrument_photo_promises_what_was_measured(chart):
    """With two lengths known to 12 mm, the pair's own figures remain: half the sum of slope times uncertainty."""
    step = next(each for each in STEPS if each.code == "second_instrument_photo")
    choices = choose(arm := Length.stated(452, 1), [instrument(256, 422, u=12)], chart)
    items = Items.of(choices.found, 452.0, 1.0)
    question = next_step.Question(chart, arm, choices.found, items, choices.weighed)
    left = choices.found.u_margin_mm[0] ** 2 - next_step._variance_saved(question, np.array([0]), step)[0]
    by_body = (chart.shortest_arm_mm(268.0, "body") - chart.shortest_arm_mm(244.0, "body")) / 24
    by_total = (chart.shortest_arm_mm(434.0, "total") - chart.shortest_arm_mm(410.0, "total")) / 24
    assert left == pytest.approx(1 + (0.5 * (by_body * 0.7 + by_total * 1.2)) ** 2, rel=0.05)


def test_an_instrument_that_is_known_leaves_nothing_to_save(chart):
    choices = choose(arm := Length.stated(452, 4), [instrument(256, 422, u=0.05)], chart)
    question = next_step.Question(chart, arm, choices.found, Items.of(choices.found, 452.0, 4.0), choices.weighed)
    whole = choices.found.u_margin_mm[0] ** 2 - widened(arm).standard_uncertainty_mm ** 2
    for step in (each for each in STEPS if each.arm_u_mm is None):
        assert next_step._variance_saved(question, np.array([0]), step)[0] <= whole + 1e-9


def test_the_assumed_accuracies_are_the_measured_ones():
    """To within a third of what the benchmark kept: mean half-widths on the development scenes."""
    rows = {(row["kind"], row["condition"], row["quantity"]): row for row in json.loads(MEASURED.read_text())}
    steps = {each.code: each for each in STEPS}
    for row, assumed in (
        (("hand against the wall", "good, stance stated", "arm"), steps["arm_against_wall"].arm_u_mm),
        (("instrument", "two photos together", "body_length"), steps["second_instrument_photo"].body_u_mm),
        (("instrument", "two photos together", "total_length"), steps["second_instrument_photo"].total_u_mm),
    ):
        assert assumed == pytest.approx(rows[row]["half_width_mm"] / COVERAGE_FACTOR, rel=1 / 3)
