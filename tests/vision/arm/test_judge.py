"""Which poses are refused, and on which side of each threshold."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from calibration.blank import Blank
from calibration.blank_sheet import BlankLayout
from calibration.sheet import Paper, SheetLayout
from tests.vision.arm.made_up import STRAIGHT, camera, evidence, joints, seen_arm
from vision.arm import judge
from vision.arm import priors as priors
from vision.arm.depth import ArmDepths
from vision.arm.estimator import Evidence, Solution
from vision.arm.judge import pose_of, pose_problems, turned_probability
from vision.person.neck_net import Turn
from vision.person.pose import Landmark


def codes(points, outward=1.0, reaching=0.0, depths=None, seen=None, evidence_of=None) -> list[str]:
    seen = seen or seen_arm(points, outward)
    told = evidence_of or evidence(points, outward)
    found = pose_problems(
        seen.body, depths or ArmDepths.usual(), told, Solution(priors.WALL, points, 0.0, {}), reaching
    )
    return [problem.code for problem in found]


def bent(by_deg: float) -> np.ndarray:
    """An arm whose forearm rises by an angle over the upper arm."""
    points = joints()
    a = np.radians(by_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    points[3:, :2] = points[2, :2] + (points[3:, :2] - points[2, :2]) @ turn.T
    return points


def test_a_good_pose_passes():
    assert codes(joints()) == []
    assert codes(joints(outward=-1.0), -1.0) == []


@pytest.mark.parametrize(
    ("elevation", "expected"),
    [
        (-61.0, ["no_arm_out"]),
        (-59.0, ["arm_too_low"]),
        (-21.0, ["arm_too_low"]),
        (-19.0, []),
        (21.0, []),
        (23.0, ["arm_too_high"]),
        (61.0, ["no_arm_out"]),
    ],
)
def test_the_arm_is_level_within_limits(elevation, expected):
    assert codes(joints(elevation)) == expected


@pytest.mark.parametrize(("by_deg", "expected"), [(14.0, []), (15.0, ["elbow_bent"]), (-30.0, [])])
def test_the_elbow_is_straight_within_limits(by_deg, expected):
    """Forearms do not bend downwards: elbows bend one way, and hanging wrists are seen as such."""
    assert codes(bent(by_deg)) == expected


def test_a_bent_elbow_that_raises_the_hand_is_called_bent_only():
    points = bent(60.0)
    assert codes(points) == ["elbow_bent"]


def test_what_the_network_tells_of_bend_and_forward_angle():
    straight = joints()
    usual = ArmDepths.usual()
    assert codes(straight, depths=replace(usual, bend_deg=judge.BENT_AS_TOLD_DEG - 0.1)) == []
    assert codes(straight, depths=replace(usual, bend_deg=judge.BENT_AS_TOLD_DEG + 0.1)) == ["elbow_bent"]
    assert codes(straight, depths=replace(usual, forward_deg=judge.FORWARD_AS_TOLD_DEG - 0.1)) == []
    assert codes(straight, depths=replace(usual, forward_deg=judge.FORWARD_AS_TOLD_DEG + 0.1)) == ["arm_forward"]
    for reaching, expected in ((judge.REACHING_AS_TOLD - 0.01, []), (judge.REACHING_AS_TOLD + 0.01, ["arm_forward"])):
        shadows = replace(usual, stance=np.array([0.05, 0.95 - reaching, reaching]))
        assert codes(straight, depths=shadows) == expected
    both = replace(usual, bend_deg=40.0, forward_deg=40.0)
    assert codes(straight, depths=both) == ["elbow_bent"]  # one advice at a time


def test_an_arm_far_in_front_is_refused_from_a_probability_on():
    assert codes(joints(), reaching=0.59) == []
    assert codes(joints(), reaching=0.61) == ["arm_forward"]


@pytest.mark.parametrize("outward", [1.0, -1.0])
@pytest.mark.parametrize("share", [0.1, 0.21, 0.23, -0.23, 0.5])
def test_a_turned_trunk_is_seen_by_the_nose(outward, share):
    points = joints(outward=outward)
    seen = with_nose(points, outward, share)
    assert pose_of(seen.body, evidence(points, outward), Solution(priors.WALL, points, 0.0, {})).turn == pytest.approx(
        share, abs=0.002
    )
    assert codes(points, outward, seen=seen) == (["torso_turned"] if abs(share) > 0.22 else [])


def with_nose(points, outward, share):
    """A seen arm whose nose lies `share` of the straight arm outwards of the middle of the shoulders."""
    seen = seen_arm(points, outward)
    landmarks = seen.body.landmarks_px.copy()
    shoulders = landmarks[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]]
    depth = points[1, 2]
    straight = np.linalg.norm(np.diff(points[1:], axis=0), axis=1).sum()
    middle = seen.body.camera.to_plane(shoulders, depth).mean(axis=0)
    nose = middle + np.array([outward * share * straight, 200.0, judge.NOSE_FORWARD * straight])
    landmarks[Landmark.NOSE] = seen.body.camera.project(nose[None])[0]
    return replace(seen, body=replace(seen.body, landmarks_px=landmarks))


@pytest.mark.parametrize(
    ("turn_deg", "deviation_deg", "turned"),
    [
        (0.0, 2.0, False),
        (10.0, 2.0, False),
        (11.0, 2.0, True),
        (-11.0, 2.0, True),
        (-13.0, 8.0, False),
        (18.0, 8.0, True),
    ],
)
def test_a_turned_trunk_is_told_by_its_look(turn_deg, deviation_deg, turned):
    """The camera stands before the shoulders' middle, so that the angle to the wall is that to the line of sight."""
    points = joints()
    seen = seen_arm(points)
    shoulders = seen.body.landmarks_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]]
    middle = seen.body.camera.to_plane(shoulders, points[1, 2]).mean(axis=0)
    aside = np.degrees(np.arctan2(*(seen.body.camera.position_mm - middle)[[0, 2]]))
    looked = replace(seen, body=replace(seen.body, turn=Turn(turn_deg - aside, deviation_deg)))
    assert ("torso_turned" in codes(points, seen=looked)) is turned
    aside_px = with_nose(points, 1.0, 0.3).body.landmarks_px  # who looks along the arm turns the head alone
    along = replace(looked, body=replace(looked.body, landmarks_px=aside_px))
    assert ("torso_turned" in codes(points, seen=along)) is turned
    told = pose_of(looked.body, evidence(points), Solution(priors.WALL, points, 0.0, {})).trunk
    assert told.deg == pytest.approx(turn_deg)


def test_a_steep_view_is_refused():
    """40 degrees off the wall's normal, from the arm's middle."""
    points = joints()
    arm = points[1:].mean(axis=0)
    for angle, expected in ((39.0, []), (41.0, ["camera_tilted"])):
        aside = np.tan(np.radians(angle)) * (1800.0 - arm[2])
        view = camera(position=(arm[0] + aside, 0.0))
        seen = seen_arm(points)
        seen = replace(seen, body=replace(seen.body, camera=view))
        told = evidence(points)
        told = Evidence(view, told.body_to_sheet, 1.0, told.sightings)
        assert [code for code in codes(points, seen=seen, evidence_of=told) if code != "torso_turned"] == expected


def test_a_sheet_far_from_the_arm_is_refused():
    """The sheet's middle lies in the origin of its frame, and the arm within 1.3 m of it, along the wall."""
    for away, expected in ((1290.0, False), (1310.0, True)):
        points = joints()
        points[:, 1] += np.sqrt(away**2 - points[1:, 0].mean() ** 2)
        told = evidence(points)
        assert ("sheet_too_far" in codes(points, seen=seen_arm(joints()), evidence_of=told)) == expected


@pytest.mark.parametrize(("layout", "called"), [(SheetLayout(Paper.A4, 1), "sheet"), (BlankLayout(Blank.CARD), "card")])
def test_what_is_far_from_the_arm_is_called_what_it_is(layout, called):
    points = joints() + np.array([0.0, 1400.0, 0.0])
    seen = seen_arm(joints())
    (sheet,) = seen.body.camera.sheets
    view = replace(seen.body.camera, sheets=(replace(sheet, layout=layout),))
    found = pose_problems(
        replace(seen.body, camera=view),
        ArmDepths.usual(),
        evidence(points),
        Solution(priors.WALL, points, 0.0, {}),
        0.0,
    )
    assert [problem.code for problem in found] == ["sheet_too_far"]
    assert all(called in sentence for sentence in (found[0].message, found[0].advice))


def test_a_turned_trunk_is_the_likelier_the_further_the_nose_is_off():
    """Bayes' rule by hand: mixtures of normal distributions, weighed by how often trunk and head are turned."""

    def density(at, deviation):
        heads = (1 - judge.HEADS_TURNED, deviation), (judge.HEADS_TURNED, np.hypot(deviation, judge.HEAD_SPREAD))
        return sum(share * norm.pdf(at, 0, spread) for share, spread in heads)

    for stance in priors.STANCES:
        share = judge.TURNED_SHARE[stance.name]
        for turn in (-0.16, 0.0, 0.05, 0.12):
            straight = (1 - share) * density(turn, judge.TURN_SPREAD)
            turned = share * density(turn, judge.TURN_SPREAD_TURNED)
            assert turned_probability(turn, None, stance.name) == pytest.approx(turned / (turned + straight))
    assert turned_probability(0.0, None, "wall") < 0.005 < turned_probability(0.12, None, "wall")


def test_a_trunk_that_looks_straight_makes_a_turned_head_a_turned_head():
    """Odds are multiplied by those of the trunk's look: two normal distributions to either side against one between."""
    unseen = turned_probability(0.16, None, "floating")
    for deg in (-12.0, 0.0, 5.0, 12.0):
        look = Turn(deg, 4.0)
        straight = norm.pdf(deg, 0, np.hypot(judge.STRAIGHT_TRUNK_DEG, 4.0))
        middle, spread = judge.TURNED_TRUNK_DEG
        turned = norm.pdf(deg, (middle, -middle), np.hypot(spread, 4.0)).mean()
        odds = unseen / (1 - unseen) * turned / straight
        assert turned_probability(0.16, look, "floating") == pytest.approx(odds / (1 + odds))
    told = [turned_probability(0.16, Turn(deg, 4.0), "floating") for deg in (0.0, 8.0, 12.0)]
    assert told[0] < 0.3 * unseen < unseen < told[2]
    assert told == sorted(told)
    # a look that is quite unsure says next to nothing
    assert turned_probability(0.16, Turn(0.0, 60.0), "floating") == pytest.approx(unseen, rel=0.05)


def test_lengths_used_here_are_the_made_up_ones():
    assert np.linalg.norm(np.diff(joints(depth=np.zeros(5))[1:], axis=0), axis=1).sum() == pytest.approx(STRAIGHT)
