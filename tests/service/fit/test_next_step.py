"""Which further measurement would settle an open verdict."""

import json

import numpy as np
import pytest

from calibration.quantity import COVERAGE_FACTOR, Contribution, Length, combine
from service.fit import next_step
from service.fit.assessment import with_prior
from service.fit.decision import Decision
from service.fit.next_step import STEPS, joint_variance, next_steps
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from tests.readme import MEASURED
from tests.service.fit.conftest import instrument


def test_a_decided_verdict_needs_no_next_step(chart):
    assert next_steps(judge(Length.stated(450, 3), instrument(255, 421), chart)) == ()


def test_steps_are_sorted_by_gain_and_are_worth_it(chart):
    steps = next_steps(judge(Length.stated(468, 6), instrument(255, 421), chart))
    gains = [each.gain_minutes for each in steps]
    assert gains == sorted(gains, reverse=True)
    assert gains[-1] > 0
    assert all(0 <= each.settles <= 1 for each in steps)


def test_the_weakest_link_is_measured_again(chart):
    poor_arm = next_steps(judge(Length.stated(456, 12), instrument(256, u=0.5), chart))
    poor_instrument = next_steps(judge(Length.stated(452, 1), instrument(256, u=12), chart))
    readings = [
        [each.step for each in steps if each.step.code != "playing_signs"] for steps in (poor_arm, poor_instrument)
    ]
    assert readings[0][0].arm_u_mm is not None
    assert readings[1][0].body_u_mm is not None


def test_playing_signs_are_asked_for_where_they_settle(chart):
    verdict = judge(Length.stated(437, 3), instrument(255, 421, 0.5), chart)
    assert verdict.decision is Decision.NOT_DECIDED
    signs = next(each for each in next_steps(verdict) if each.step.code == "playing_signs")
    assert signs.settles == pytest.approx(1.0)
    seen = judge(Length.stated(437, 3), instrument(255, 421, 0.5), chart, PlayingSigns(True, True, True, True, True))
    assert seen.decision is Decision.STRETCH
    answered = judge(Length.stated(469, 4), instrument(280, 463), chart, PlayingSigns(True, True, True, True, True))
    assert "playing_signs" not in [each.step.code for each in next_steps(answered)]


def test_the_chance_of_settling_against_simulation(chart):
    """Draw the true margin as believed, a further reading, and decide anew."""
    u_arm, one = 8.0, instrument(280, u=0.4)
    verdict = judge(Length.stated(480, u_arm), one, chart)
    step = next(each for each in STEPS if each.code == "arm_against_wall")
    promised = next(each for each in next_steps(verdict) if each.step is step)
    rng = np.random.default_rng(11)
    mean, sd = with_prior(np.array(verdict.margin.value_mm), np.array(verdict.margin.standard_uncertainty_mm))
    settled = 0
    for _ in range(1500):
        arm = verdict.shortest_arm_mm + rng.normal(float(mean), float(sd))
        reading = rng.normal(arm, step.arm_u_mm)
        weights = np.array([u_arm**-2, step.arm_u_mm**-2])
        both = (480 * weights[0] + reading * weights[1]) / weights.sum()
        again = judge(Length.stated(float(both), float(weights.sum() ** -0.5)), one, chart)
        settled += again.decision is not Decision.NOT_DECIDED
    assert promised.settles == pytest.approx(settled / 1500, abs=0.04)


def test_a_further_photo_does_not_average_away_what_it_shares(chart):
    """Two readings with variances and covariance as `combine` has them."""

    def reading(value, own, shared):
        return Length(value, (Contribution("own", own), Contribution("build", shared, "arm:build")))

    both = combine([reading(450, 6, 4), reading(452, 3, 4)])
    assert joint_variance(52, 25, 16) == pytest.approx(both.standard_uncertainty_mm**2)
    assert joint_variance(52, 25, 0) == pytest.approx(1 / (1 / 52 + 1 / 25))
    assert joint_variance(16, 16, 16) == 16
    alone = next_steps(judge(Length.stated(466, 7), instrument(255, 421), chart))
    sharing = next_steps(judge(reading(466, 33**0.5, 4), instrument(255, 421), chart))
    chance = [{each.step.code: each.settles for each in steps} for steps in (alone, sharing)]
    assert chance[1]["arm_against_wall"] < chance[0]["arm_against_wall"] - 0.03
    assert chance[1]["tape_arm"] == pytest.approx(chance[0]["tape_arm"])


def test_a_second_instrument_photo_promises_what_was_measured(chart):
    """With two lengths known to 12 mm, the pair's own figures remain: half the sum of slope times uncertainty."""
    step = next(each for each in STEPS if each.code == "second_instrument_photo")
    verdict = judge(Length.stated(452, 1), instrument(256, 422, u=12), chart)
    left = verdict.margin.standard_uncertainty_mm**2 - next_step._variance_saved(verdict, step)
    by_body = (chart.shortest_arm_mm(257.0, "body") - chart.shortest_arm_mm(255.0, "body")) / 2
    by_total = (chart.shortest_arm_mm(423.0, "total") - chart.shortest_arm_mm(421.0, "total")) / 2
    assert left == pytest.approx(1 + (0.5 * (by_body * 0.7 + by_total * 1.2)) ** 2, rel=1e-6)


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
