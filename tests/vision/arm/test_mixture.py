"""One answer from several stances: how they are weighed, and what the mixture's median, causes and interval are."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.quantity import Contribution
from vision.arm import priors as priors
from vision.arm.depth import ArmDepths
from vision.arm.estimator import Solution
from vision.arm.mixture import TURNED_EFFECT, Mixture, mixture_quantiles

BOTH = 0.025, 0.5, 0.975
"""The quantiles that bound 95 %, and the median."""


def solution(stance, value=450.0, log_evidence=0.0, **causes) -> Solution:
    return Solution(stance, np.zeros((5, 3)), log_evidence, {"arm_length": (value, causes or {"neck point": 4.0})})


def told(*likelihoods: float) -> ArmDepths:
    return replace(ArmDepths.usual(), stance=np.array(likelihoods))


def drawn(values, deviations, weights, count=400_000) -> np.ndarray:
    """A sample of a mixture of normal distributions."""
    generator = np.random.default_rng(8)
    which = generator.choice(len(weights), count, p=np.array(weights) / np.sum(weights))
    return generator.normal(np.array(values)[which], np.array(deviations)[which])


def test_weights_follow_bayes_rule():
    """By hand: prior 0.5, 0.45, 0.05 (`STANCE_PRIOR`) times shadow times landmarks, over their sum."""
    evidence, shadow = (np.log(2.0), 0.0, np.log(8.0)), (0.2, 0.5, 0.3)
    mixture = Mixture.of(
        [solution(stance, log_evidence=each + 100.0) for stance, each in zip(priors.STANCES, evidence, strict=True)],
        told(*shadow),
    )
    expected = np.array([0.5 * 0.2 * 2.0, 0.45 * 0.5 * 1.0, 0.05 * 0.3 * 8.0])
    assert mixture.weights == pytest.approx(expected / expected.sum())
    assert mixture.best.stance is priors.FLOATING
    assert [mixture.share(stance) for stance in priors.STANCES] == pytest.approx(mixture.weights.tolist())


def test_a_stance_that_was_not_looked_at_has_no_share():
    mixture = Mixture.of([solution(priors.FLOATING), solution(priors.REACHING)], ArmDepths.usual())
    assert mixture.share(priors.WALL) == 0.0
    assert mixture.share(priors.FLOATING) == pytest.approx(0.45 / 0.50)


def test_means_are_weighed():
    mixture = Mixture((solution(priors.WALL, 440.0), solution(priors.FLOATING, 480.0)), np.array([0.25, 0.75]))
    assert mixture.mean(lambda found: found.lengths["arm_length"][0]) == pytest.approx(470.0)


def test_one_stance_alone_is_a_normal_distribution():
    mixture = Mixture((solution(priors.WALL, 450.0, palm=3.0, neck=4.0),), np.array([1.0]))
    length = mixture.length("arm_length", [Contribution("print", 12.0, "print-scale:a4-1")])
    assert length.value_mm == pytest.approx(450.0)
    assert [part.contribution_mm for part in length.budget] == [3.0, 4.0, 12.0]
    assert length.standard_uncertainty_mm == pytest.approx(13.0)
    # 1.960 for 95 % (JCGM 100:2008, table G.1)
    assert (length.low_mm, length.high_mm) == pytest.approx((450.0 - 1.96 * 13.0, 450.0 + 1.96 * 13.0), abs=0.01)


def test_median_and_interval_are_those_of_a_sample():
    stances, weights = (priors.WALL, priors.FLOATING, priors.REACHING), np.array([0.6, 0.3, 0.1])
    values, deviations = [452.0, 470.0, 430.0], [5.0, 8.0, 12.0]
    mixture = Mixture(
        tuple(solution(s, v, neck=d) for s, v, d in zip(stances, values, deviations, strict=True)), weights
    )
    length = mixture.length("arm_length", [])
    low, middle, high = np.quantile(drawn(values, deviations, weights), BOTH)
    # 400 000 draws: quantiles scatter by 0.02 in the middle and 0.1 in the tails
    assert length.value_mm == pytest.approx(middle, abs=0.1)
    assert (length.low_mm, length.high_mm) == pytest.approx((low, high), abs=0.4)
    between = next(part for part in length.budget if part.source == "hand against the wall or not")
    # root mean square distance of the stances from the median
    expected = np.sqrt(weights @ (np.array(values) - length.value_mm) ** 2)
    assert between.contribution_mm == pytest.approx(expected)
    neck = next(part for part in length.budget if part.source == "neck")
    assert neck.contribution_mm == pytest.approx(np.sqrt(weights @ np.square(deviations)))


def test_the_median_stays_where_an_unlikely_stance_is_far_off():
    mixture = Mixture((solution(priors.WALL, 450.0), solution(priors.REACHING, 250.0)), np.array([0.98, 0.02]))
    assert mixture.length("arm_length", []).value_mm == pytest.approx(450.0, abs=0.2)
    # 2 % is below the 2.5 % of the lower end: the far stance takes most of that tail
    assert mixture.length("arm_length", []).low_mm < 440.0


def test_a_trunk_that_may_be_turned_makes_the_interval_longer_upwards():
    mixture = Mixture((solution(priors.WALL, 400.0, neck=4.0),), np.array([1.0]))
    turned = np.array([0.2])
    length, straight = (mixture.length("arm_length", [], each) for each in (turned, None))
    longer = TURNED_EFFECT * 400.0
    sample = drawn([400.0, 400.0 + longer], [4.0, np.hypot(4.0, longer)], [0.8, 0.2])
    low, middle, high = np.quantile(sample, BOTH)
    assert length.value_mm == pytest.approx(middle, abs=0.05)
    assert (length.low_mm, length.high_mm) == pytest.approx((low, high), abs=0.2)
    assert length.high_mm - straight.high_mm > 3.0
    part = next(part for part in length.budget if part.source == "trunk turned or not")
    # with probability 0.2 off by `longer` and as much again of doubt
    assert part.contribution_mm == pytest.approx(np.sqrt(0.2 * 2) * longer)
    assert not any(part.source == "trunk turned or not" for part in straight.budget)


def test_what_two_photos_share_is_named():
    causes = {"depth of the neck": 3.0, "palm point": 2.0}
    length = Mixture((solution(priors.WALL, **causes),), np.array([1.0])).length("arm_length", [])
    assert {part.source: part.key for part in length.budget} == {
        "depth of the neck": "arm:body-depth",
        "palm point": None,
    }


def test_stances_that_agree_leave_no_doubt_between_them():
    mixture = Mixture((solution(priors.WALL), solution(priors.FLOATING)), np.array([0.5, 0.5]))
    parts = mixture.length("arm_length", []).budget
    assert sum(part.contribution_mm for part in parts if part.source != "neck point") == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("share", [0.001, 0.2, 0.9])
def test_quantiles_of_one_normal_distribution(share):
    """Against the table of the normal distribution: 0.1 %, 20 % and 90 % lie at -3.090, -0.842 and 1.282."""
    at = {0.001: -3.0902, 0.2: -0.8416, 0.9: 1.2816}[share]
    found = mixture_quantiles(np.array([10.0, 10.0]), np.array([2.0, 2.0]), np.array([0.5, 0.5]), (share, share, share))
    assert found == pytest.approx((10.0 + 2.0 * at,) * 3, abs=1e-3)
