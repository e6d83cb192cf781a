"""The estimator's numbers against what they were taken from: figures, photographs of people, handbooks."""

import numpy as np
import pytest

from vision.arm import priors as priors
from vision.arm.priors import whitener

FIGURES = {
    # some four hundred posed mannequin figures of 3 to 12 years: means and deviations of the steps along the chain
    "floating": ([0.27, -0.011, 0.027, 0.048, 0.0425], [0.0335, 0.0114, 0.0213, 0.0237, 0.0063]),
    "wall": ([0.24, -0.0115, -0.0812, -0.0595, 0.0140], [0.0199, 0.0082, 0.0104, 0.0091, 0.0030]),
    "reaching": ([0.27, -0.013, 0.13, 0.228, 0.086], [0.0325, 0.011, 0.0996, 0.0422, 0.0092]),
}
"""Unclothed; clothes hold the shoulder some 0.013 of the arm further off the wall (5 mm: a shirt and the air in it)."""


@pytest.mark.parametrize("stance", priors.STANCES, ids=lambda stance: stance.name)
def test_steps_are_those_of_figures_and_scatter_more(stance):
    mean, deviation = (np.array(part) for part in FIGURES[stance.name])
    clothes = stance.step[0] - mean[0]
    assert 0.008 < clothes < 0.018
    assert stance.step[1:] == pytest.approx(mean[1:], rel=0.05)
    # real children differ more than figures do, the more so the less a figure varies; none by more than half
    assert (stance.step_deviation >= deviation).all()
    assert (stance.step_deviation <= 1.5 * deviation).all()


@pytest.mark.parametrize("stance", priors.STANCES, ids=lambda stance: stance.name)
def test_depths_add_up_along_the_chain(stance):
    """Shoulder; neck from it; elbow, wrist and palm one after the other."""
    shoulder, neck, elbow, wrist, palm = stance.step
    expected = [
        shoulder + neck,
        shoulder,
        shoulder + elbow,
        shoulder + elbow + wrist,
        shoulder + elbow + wrist + palm,
    ]
    if stance.name == "wall":  # nearer by what a hand may lie flatter than figures', and the arm with it
        nearer = np.array(expected) - stance.depth
        assert (np.diff(nearer[1:]) > 0).all()
        assert nearer == pytest.approx([0.008, 0.012, 0.018, 0.026, 0.030], abs=0.006)
    else:
        assert stance.depth == pytest.approx(expected)
    back = np.linalg.inv(priors.CHAIN)
    covariance = back @ stance.depth_covariance @ back.T
    deviation = np.sqrt(np.diag(covariance))
    # as figures', but for a palm on the wall, which is less sure, and the arm with it
    assert deviation / stance.step_deviation == pytest.approx(1.06 if stance.name == "wall" else 1.0, abs=0.07)
    correlation = covariance / np.outer(deviation, deviation)
    assert correlation == pytest.approx(correlation.T)
    assert np.linalg.eigvalsh(correlation).min() > 0.01
    # an arm is moved as a whole: wrist and palm go on where the elbow went, except in an arm bent forward
    assert correlation[3, 4] > 0.8
    assert correlation[2, 3] == pytest.approx({"floating": 0.82, "wall": 0.508, "reaching": 0.0}[stance.name], abs=1e-3)
    # the further the shoulder stands from the wall, the further back the arm reaches to touch it
    assert (correlation[0, 2:] < (-0.3 if stance.name == "wall" else 0.0)).all()


def test_the_hand_lies_on_the_wall_and_floats_before_it():
    """In mm for an arm of 415 mm: a palm's skin some 40 mm from a touched wall; far from it when the arm reaches."""
    palm = {stance.name: 415.0 * stance.depth[4] for stance in priors.STANCES}
    assert palm["wall"] == pytest.approx(40.0, abs=2.0)
    assert palm["floating"] == pytest.approx(167.0, abs=10.0)
    assert palm["reaching"] == pytest.approx(300.0, abs=15.0)


def test_stances_beforehand():
    assert sum(priors.STANCE_PRIOR.values()) == pytest.approx(1.0)
    assert priors.STANCE_PRIOR["wall"] > priors.STANCE_PRIOR["floating"] > 5 * priors.STANCE_PRIOR["reaching"]


def test_proportions_of_children():
    """Snyder 1977: acromion to radiale over radiale to stylion 1.3 less the joint's place, hands 0.107 of stature."""
    upper, fore, palm = np.exp(priors.UPPER_TO_FOREARM[0]), 1.0, np.exp(priors.PALM_TO_FOREARM[0])
    whole = upper + fore + palm
    # shares of the straight arm: 46, 42 and 12 %
    assert [upper / whole, fore / whole, palm / whole] == pytest.approx([0.46, 0.42, 0.12], abs=0.005)
    # log deviations among children: 4 % and 5 % (Snyder), and a little of our own; figures have 2.6 and 2.5 %
    assert 0.04 <= priors.UPPER_TO_FOREARM[1] <= 0.05
    assert priors.PALM_TO_FOREARM[1] == pytest.approx(0.05)
    # rendered hands have 0.161 and deviate by 0.06, photographed ones by 0.19
    assert priors.HAND_SIZE[0] == pytest.approx(np.log(0.161))
    assert 0.06 < priors.HAND_SIZE[1] < 0.19


def test_the_arm_length_is_larger_than_the_straight_arm_by_a_fifth():
    """By Pythagoras from the shoulder joint: neck 0.195 inwards and 0.187 up make 1.21 of the straight arm."""
    (inward, spread_in), (up, spread_up) = priors.NECK_OFFSET
    assert np.hypot(1 + inward, up) == pytest.approx(1.21, abs=0.005)
    # figures deviate by 0.014 and 0.006; children by two and three times as much
    assert spread_in == pytest.approx(2 * 0.014, abs=0.004)
    assert spread_up == pytest.approx(3 * 0.006, abs=0.004)
    assert pytest.approx(-0.003, abs=0.0005) == priors.DEFINITION_OFFSET
    assert pytest.approx(2 * 0.0008, abs=0.0004) == priors.DEFINITION_DEVIATION


def test_the_straight_arm_says_nearly_nothing():
    """Children of 3 and of 13 years: 300 and 560 mm lie within one deviation of the centre."""
    centre, deviation = priors.STRAIGHT_ARM_MM
    low, high = centre * np.exp(-deviation), centre * np.exp(deviation)
    assert low == pytest.approx(292.0, abs=10.0)
    assert high == pytest.approx(590.0, abs=20.0)


def test_the_trunks_lean():
    """A sheet hung by eye and a child's own lean, 1.4 degrees each; the landmarks' line as on figures, and more."""
    assert pytest.approx(np.hypot(1.4, 1.4), abs=0.05) == priors.TORSO_ROLL_DEG
    assert priors.TRUNK_AXIS[0] == pytest.approx(1.1)
    assert 1.1 <= priors.TRUNK_AXIS[1] <= 1.4


FAR = {
    "STRAIGHT_SHOULDER_ERROR": (0.071, 0.085),
    "STRAIGHT_ELBOW_ERROR": (0.042, 0.062),
    "STRAIGHT_WRIST_ERROR": (0.040, 0.047),
    "SHOULDER_ERROR": (0.085, 0.124),
    "ELBOW_ERROR": (0.062, 0.089),
    "WRIST_ERROR": (0.047, 0.074),
    "PALM_ERROR": (0.044, 0.063),
}
"""95th percentile of landmarks' distance from where people put them, over the arm, on 33 photographs of people: those
large enough to be measured, and all (of straight arms seen from the front: those 16, and the large ones); the palm's
also as on hands alone (0.048)."""


@pytest.mark.parametrize("name", FAR)
def test_landmarks_scatter_as_on_photographs_of_people(name):
    error = getattr(priors, name)
    draws = np.random.default_rng(1).normal(size=(20_000, 2)) * [error.along_deviation, error.across_deviation]
    # 1.18 of the straight arm is the arm
    far = np.percentile(np.linalg.norm(draws, axis=1), 95) / 1.18
    low, high = FAR[name]
    assert 0.85 * low < far < 1.15 * high
    assert error.along_deviation > error.across_deviation


def test_biases_of_rendered_figures_are_not_put_on_people():
    """On photographs of people elbow and wrist become worse by them; the palm's is between both worlds' (0.2, 1 %)."""
    for error in (priors.SHOULDER_ERROR, priors.ELBOW_ERROR, priors.WRIST_ERROR, priors.PALM_WITHOUT_HAND_ERROR):
        assert (error.along, error.down) == (0.0, 0.0)
    assert -0.0098 < priors.PALM_ERROR.along < -0.002 / 1.18


def test_the_palm_is_seen_best_and_guessed_worst():
    seen, once, guessed = priors.OPEN_PALM_ERROR, priors.PALM_ERROR, priors.PALM_WITHOUT_HAND_ERROR
    assert seen.along == once.along
    assert seen.along_deviation < 0.6 * once.along_deviation
    assert once.along_deviation < 0.8 * guessed.along_deviation
    assert seen.along_deviation < priors.STRAIGHT_WRIST_ERROR.along_deviation
    # medians of 43 photographed hands whose palm is seen: 1.2 % of the arm, 1.18 of the straight one; Rayleigh's median
    assert 0.5 * 0.012 < seen.along_deviation < 0.012 * 1.18
    assert 0.3 * abs(seen.along) < priors.PALM_SYSTEMATIC < abs(seen.along)


def test_whitener_makes_unit_variance():
    root = whitener(priors.WALL.depth_covariance)
    assert np.allclose(root @ priors.WALL.depth_covariance @ root.T, np.eye(5))


def test_a_hand_that_lies_flat_on_the_wall_is_not_out_of_the_question():
    """Thickness of a hand and a small gap: 27 mm for an arm of 415, where figures' palms are some 50 from the wall."""
    stance = priors.WALL
    deviation = np.sqrt(stance.depth_covariance[4, 4])
    assert 1.4 < (stance.depth[4] - 27.0 / 415.0) / deviation < 1.7
    assert 1.4 < (52.0 / 415.0 - stance.depth[4]) / deviation < 1.7
    # nor does it reach into the wall, or as far as a hand that floats
    assert stance.depth[4] - 3 * deviation > 0.03
    assert (
        stance.depth[4] + 3 * deviation < priors.FLOATING.depth[4] - 2 * priors.FLOATING.depth_covariance[4, 4] ** 0.5
    )
