"""All lengths of an arm from one solved mixture, by hand."""

import numpy as np
import pytest

from calibration.print_scale import UNCHECKED, PrintScale
from calibration.quantity import Length
from tests.vision.arm.made_up import camera, seen_arm, usual_joints
from vision.arm import lengths as shares
from vision.arm import priors as priors
from vision.arm.estimator import Solution
from vision.arm.lengths import arm_lengths
from vision.arm.mixture import Mixture

ARM, STRAIGHT_ARM, DEVIATION = 500.0, 410.0, 6.0
DEPTH_MM = 30.0


def mixture() -> Mixture:
    points = np.zeros((5, 3))
    points[4, 2] = DEPTH_MM
    found = {"arm_length": (ARM, {"neck point": DEVIATION}), "shoulder_to_palm": (STRAIGHT_ARM, {"neck point": 8.0})}
    return Mixture((Solution(priors.WALL, points, 0.0, found),), np.array([1.0]))


def measured(hand=None, prints=None, turned=0.0) -> dict[str, Length]:
    return arm_lengths(mixture(), hand, camera(), prints or {}, np.array([turned]))


def half_width(length: Length) -> float:
    return 0.5 * (length.high_mm - length.low_mm)


def part(length: Length, source: str) -> float:
    (only,) = [each.contribution_mm for each in length.budget if each.source == source]
    return only


def test_what_no_photo_shows_is_added_to_the_arm():
    arm = measured()["arm_length"]
    assert part(arm, "where a hand's middle lies") == pytest.approx(priors.PALM_SYSTEMATIC * STRAIGHT_ARM)
    assert part(arm, "definition of the arm length") == pytest.approx(priors.DEFINITION_DEVIATION * STRAIGHT_ARM)
    printed = UNCHECKED.contribution(1.2 * STRAIGHT_ARM, "a4-1")
    assert [each for each in arm.budget if each.key == printed.key] == [printed]
    assert {each.key for each in arm.budget} == {None, printed.key, "arm:palm-model", "arm:definition"}
    assert arm.value_mm == pytest.approx(ARM)


def test_a_checked_print_is_believed():
    known = PrintScale(1.0, 1e-5)
    assert part(measured(prints={"a4-1": known})["arm_length"], known.contribution(1.0, "a4-1").source) < 0.01


def test_lengths_along_the_hand_move_and_widen():
    """The interval moves by the hand's share, and widens in squares: by the hand's length and by the place on it."""
    found = measured()
    arm, hand = found["arm_length"], found["hand_length"]
    for name, (share, own), sign in (
        ("neck_to_wrist", shares.WRIST_CREASE_SHARE, -1),
        ("neck_to_fingertip", shares.FINGERTIP_SHARE, 1),
    ):
        length = found[name]
        assert length.value_mm == pytest.approx(ARM + sign * share * hand.value_mm)
        added = np.hypot(share * hand.standard_uncertainty_mm, own * hand.value_mm)
        assert half_width(length) == pytest.approx(np.hypot(half_width(arm), 1.95996 * added), rel=1e-4)
        assert half_width(length) > half_width(arm) + 1.0
        assert length.standard_uncertainty_mm == pytest.approx(np.hypot(arm.standard_uncertainty_mm, added))
        assert length.value_mm - length.low_mm == pytest.approx(length.high_mm - length.value_mm)


def test_a_skew_interval_stays_skew():
    found = measured(turned=0.3)
    arm, length = found["arm_length"], found["neck_to_fingertip"]
    up, down = arm.high_mm - arm.value_mm, arm.value_mm - arm.low_mm
    assert up > down + 1.0
    added = 1.95996 * np.sqrt(sum(each.contribution_mm**2 for each in length.budget[len(arm.budget) :]))
    assert length.high_mm - length.value_mm == pytest.approx(np.hypot(up, added), rel=1e-4)
    assert length.value_mm - length.low_mm == pytest.approx(np.hypot(down, added), rel=1e-4)


def test_a_turned_trunk_does_not_lengthen_what_starts_at_the_shoulder():
    straight, turned = measured(), measured(turned=0.3)
    assert turned["shoulder_to_palm"] == straight["shoulder_to_palm"]


def test_lengths_from_bone_to_palm_are_scaled():
    found = measured()
    arm, shoulder = found["arm_length"], found["shoulder_to_palm"]
    factor, own = shares.ACROMION_SHARE
    assert shoulder.value_mm == pytest.approx(factor * STRAIGHT_ARM)
    assert part(shoulder, "neck point") == pytest.approx(factor * 8.0)
    assert part(shoulder, "the shoulder's bony tip") == pytest.approx(own * STRAIGHT_ARM)
    factor, own = 1 + shares.SPINE_SHARE[0], shares.SPINE_SHARE[1]
    spine = found["spine_to_palm"]
    assert spine.value_mm == pytest.approx(factor * ARM)
    expected = np.hypot(factor * arm.standard_uncertainty_mm, own * ARM)
    assert spine.standard_uncertainty_mm == pytest.approx(expected)
    widened = np.hypot(half_width(arm), 1.95996 * own * ARM)
    assert (spine.low_mm, spine.high_mm) == pytest.approx((factor * ARM - widened, factor * ARM + widened), rel=1e-4)
    keys = {each.key for each in spine.budget}
    assert "arm:definition" in keys


def test_usual_shares_are_those_of_figures():
    """Of mannequin figures (and of the hand model on their rendered hands), with deviations widened by judgement."""
    figures = {
        "WRIST_CREASE_SHARE": (0.330, 0.0012),
        "FINGERTIP_SHARE": (0.659, 0.0012),
        "ACROMION_SHARE": (1.043, 0.023),
        "SPINE_SHARE": (0.097, 0.006),
        "HAND_LENGTH_SEEN": (0.847, 0.05),
        "HAND_BREADTH_SEEN": (0.673, 0.03),
    }
    for name, (mean, deviation) in figures.items():
        assert getattr(shares, name)[0] == pytest.approx(mean, rel=0.01)
        assert deviation < getattr(shares, name)[1] < 1.25 * deviation + 0.012
    # from the crease to the fingertip is one hand, less its fingers' bend
    assert shares.WRIST_CREASE_SHARE[0] + shares.FINGERTIP_SHARE[0] == pytest.approx(0.99, abs=0.01)


def test_a_hand_not_seen_is_a_share_of_the_arm():
    found = measured()
    mean, deviation = shares.HAND_OVER_ARM
    assert found["hand_breadth"] is None
    assert found["hand_length"].value_mm == pytest.approx(mean * ARM)
    assert found["hand_length"].standard_uncertainty_mm == pytest.approx(deviation * ARM)
    # adults' and children's hands are 0.28 to 0.32 of neck to palm: 0.108 and 0.36 of the stature (Snyder 1977)
    assert 0.28 < mean < 0.32


def test_a_hand_that_is_seen_is_measured_at_the_palms_depth():
    hand = seen_arm(usual_joints()).body.hand
    found = measured(hand)
    view = camera()
    mm_per_px = (1800.0 - DEPTH_MM) / view.focal_px
    wrist, knuckle, tip, index, little = hand.points_px[[0, 9, 12, 5, 17]]
    long = np.linalg.norm(wrist - knuckle) + np.linalg.norm(tip - knuckle)
    for name, px, (share, spread) in (
        ("hand_length", long, shares.HAND_LENGTH_SEEN),
        ("hand_breadth", np.linalg.norm(index - little), shares.HAND_BREADTH_SEEN),
    ):
        length = found[name]
        assert length.value_mm == pytest.approx(px * mm_per_px / share, rel=1e-6)
        assert part(length, "landmarks of the hand") == pytest.approx(length.value_mm * spread / share)
        assert part(length, "distance of the hand") == pytest.approx(0.02 * length.value_mm)
