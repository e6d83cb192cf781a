"""Which further measurement would settle an open verdict."""

import numpy as np
import pytest

from calibration.quantity import Length
from service.fit.assessment import with_prior
from service.fit.decision import Decision
from service.fit.next_step import STEPS, next_steps
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
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
    assert readings[1][0].instrument_u_mm is not None


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
