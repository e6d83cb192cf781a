"""From a seen arm to its lengths: a made-up arm, in which everything is known, comes back whatever the sheet does."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.quantity import Length
from tests.vision.arm.made_up import evidence, joints, seen_arm, sheet_from_body, usual_joints
from vision.arm import priors as priors
from vision.arm.body import sightings_of
from vision.arm.build import NOTHING_STATED, StatedBuild
from vision.arm.depth import ArmDepths
from vision.arm.estimator import Solution
from vision.arm.joints import arm_length_mm
from vision.arm.judge import pose_of
from vision.arm.measure import CORRECTED, CORRECTION_DEVIATION, evidence_of, solve_arm
from vision.person.hand import HandPoint
from vision.problems import HAND_OFF_WALL, NOT_AS_TOLD, PERSON_CUT, SHEET_ON_BOOK, STANDS_AWAY, STATED_BUILD

LIKELY = 0.98


def told(stance: priors.Stance) -> ArmDepths:
    """A network that is sure of the stance and says nothing of the depths."""
    shares = [LIKELY if each is stance else (1 - LIKELY) / 2 for each in priors.STANCES]
    return replace(ArmDepths.usual(), stance=np.array(shares))


def truth(points, outward=1.0) -> float:
    return arm_length_mm(points, outward, 0.0)


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_a_usual_arm_comes_back_however_the_sheet_hangs(quarters, outward):
    points = usual_joints(outward)
    seen = seen_arm(points, outward, quarters)
    found = solve_arm(seen, against_wall=True)
    assert found.usable
    # landmarks without noise and nothing that pulls: only the roundings of the made-up trunk are left
    assert found.arm_length.value_mm == pytest.approx(truth(points, outward), abs=0.1)
    px = seen.body.camera.project(points @ sheet_from_body(quarters).T)
    for name, place in zip(("side_neck", "shoulder", "elbow", "wrist", "mid_palm"), px, strict=True):
        assert found.points_px[name] == pytest.approx(place, abs=0.3), name
    assert found.points_px["middle_fingertip"] == pytest.approx(seen.body.hand.point(HandPoint.MIDDLE_TIP))
    assert found.side == ("left" if outward > 0 else "right")


@pytest.mark.parametrize("stance", [priors.WALL, priors.FLOATING], ids=lambda stance: stance.name)
def test_the_photo_tells_the_stance(stance):
    found = solve_arm(seen_arm(usual_joints(1.0, stance.depth), depths=told(stance)))
    assert found.usable
    assert (found.wall_probability > 0.9) == (stance is priors.WALL)
    assert found.arm_length.value_mm == pytest.approx(truth(usual_joints(1.0, stance.depth)), rel=0.01)


def test_a_stated_stance_is_believed():
    seen = seen_arm(usual_joints(), depths=told(priors.FLOATING))
    assert solve_arm(seen, against_wall=True).wall_probability == 1.0
    assert solve_arm(seen, against_wall=False).wall_probability == 0.0
    by_wall = solve_arm(seen, against_wall=True).arm_length
    assert not any(part.source == "hand against the wall or not" for part in by_wall.budget)
    assert any(
        part.source == "hand against the wall or not" for part in solve_arm(seen, against_wall=False).arm_length.budget
    )


@pytest.mark.parametrize("against_wall", [None, False], ids=["unsaid", "said to be off the wall"])
def test_an_arm_held_forward_is_noticed_off_the_wall_too(against_wall):
    """Off the wall does not say that it floats beside the body: far in front of it the photo is refused."""
    seen = seen_arm(usual_joints(1.0, priors.REACHING.depth), depths=told(priors.REACHING))
    found = solve_arm(seen, against_wall=against_wall)
    assert [problem.code for problem in found.problems] == ["arm_forward"]
    assert found.arm_length is None
    assert not found.usable


def test_age_and_stature_pull_towards_what_is_usual():
    seen = seen_arm(usual_joints())
    before = solve_arm(seen, against_wall=True).arm_length
    tall = solve_arm(seen, stature_mm=1400.0, against_wall=True).arm_length
    short = solve_arm(seen, age_years=7.0, against_wall=True).arm_length
    assert tall.value_mm > before.value_mm > short.value_mm
    assert any(part.source == "age and stature as stated" for part in tall.budget)


def test_how_far_an_arm_is_from_a_stated_build():
    """By hand: at 8 years and 1250 mm the arm is 0.3839 of the height (479.9 mm), with 3.377 % between children."""
    usual_mm = 0.3839 * 1250.0
    for factor in (1.05, 1 / 1.05):
        arm = Length.stated(factor * usual_mm, 0.02 * factor * usual_mm)
        expected = np.log(factor) / np.hypot(0.03377, 0.02)
        assert StatedBuild(8.0, 1250.0).deviation(arm) == pytest.approx(expected, rel=1e-3), factor
        assert NOTHING_STATED.deviation(arm) == 0.0


@pytest.mark.parametrize("said", [{"age_years": 4.0}, {"stature_mm": 1700.0}, {"age_years": 4.0, "stature_mm": 1000.0}])
def test_a_build_that_contradicts_the_photo_is_named_and_not_used(said):
    seen = seen_arm(usual_joints())
    before, after = solve_arm(seen, against_wall=True), solve_arm(seen, against_wall=True, **said)
    assert after.arm_length == before.arm_length
    assert after.usable
    assert after.problems == (STATED_BUILD,)


def test_of_a_hand_off_the_wall_one_photo_says_what_it_cannot_show():
    floating = seen_arm(usual_joints(1.0, priors.FLOATING.depth), depths=told(priors.FLOATING))
    found = solve_arm(floating)
    assert found.usable
    assert found.problems == (HAND_OFF_WALL,)
    assert solve_arm(floating, against_wall=True).problems == (NOT_AS_TOLD,)
    assert solve_arm(floating, against_wall=False).problems == (HAND_OFF_WALL,)
    by_wall = seen_arm(usual_joints(), depths=told(priors.WALL))
    assert [solve_arm(by_wall, against_wall=said).problems for said in (None, True)] == [(), ()]
    assert solve_arm(by_wall, against_wall=False).problems == (NOT_AS_TOLD, HAND_OFF_WALL)
    # the child may stand away from the wall, and the arm then be shorter: never longer
    arm = found.arm_length
    assert arm.value_mm - arm.low_mm > 1.05 * (arm.high_mm - arm.value_mm)


def test_an_arm_too_long_for_the_stated_build_off_the_wall_is_refused():
    """200 mm nearer to the camera an arm looks an eighth larger; with the hand on the wall it is the build's slip."""
    points = usual_joints(1.0, priors.FLOATING.depth)
    build = {"age_years": 8.0, "stature_mm": truth(points) / 0.3839}
    near, away = (seen_arm(points + np.array([0.0, 0.0, gap]), depths=told(priors.FLOATING)) for gap in (0.0, 200.0))
    assert solve_arm(near, **build).problems == (HAND_OFF_WALL,)
    refused = solve_arm(away, **build)
    assert refused.problems == (STANDS_AWAY,)
    assert not refused.usable
    assert refused.arm_length is None
    assert solve_arm(away).problems == (HAND_OFF_WALL,)
    assert solve_arm(away, against_wall=True, **build).problems == (NOT_AS_TOLD, STATED_BUILD)
    # too short an arm is no child that stands away
    assert solve_arm(near, age_years=13.0, stature_mm=1650.0).problems == (HAND_OFF_WALL, STATED_BUILD)


@pytest.mark.parametrize("name", CORRECTED)
def test_a_point_placed_by_hand_takes_the_place_of_what_was_seen(name):
    body = seen_arm(usual_joints()).body
    arm_px = sightings_of(body)[1]
    given = evidence_of(body, {name: (812.0, 903.5)}).sightings
    before = evidence_of(body).sightings
    joint = CORRECTED[name]
    assert given[joint].px == pytest.approx([812.0, 903.5])
    # as sure in every direction as a careful reader
    assert given[joint].whitening == pytest.approx(np.eye(2) / (CORRECTION_DEVIATION[name] * arm_px))
    assert given[joint].cause == f"{joint} point placed by hand"
    for other in before.keys() - {joint}:
        assert given[other].cause == before[other].cause


@pytest.mark.parametrize("name", CORRECTED)
def test_a_point_placed_by_hand_draws_the_arm_to_it(name):
    seen = seen_arm(usual_joints())
    before = solve_arm(seen, against_wall=True)
    step = np.array([6.0, 4.0])
    place = np.array(before.points_px[name]) + step
    after = solve_arm(seen, against_wall=True, corrections={name: tuple(place)})
    # what is usual for the other points holds it back, most of all at the shoulder, which is seen worst
    assert (np.array(after.points_px[name]) - before.points_px[name]) @ step > 0.25 * step @ step
    assert any(part.source == f"{CORRECTED[name]} point placed by hand" for part in after.arm_length.budget)


def test_evidence_holds_what_is_seen_and_said():
    seen = seen_arm(usual_joints())
    found = evidence_of(seen.body, build=StatedBuild(7.5, 1240.0))
    assert found.build == StatedBuild(7.5, 1240.0)
    assert found.camera is seen.body.camera
    # the made-up trunk's landmarks lean as much as they usually do wrongly
    assert found.trunk_lean_deg == pytest.approx(0.0, abs=0.05)
    wrist, knuckle = seen.body.hand.points_px[[HandPoint.WRIST, HandPoint.MIDDLE_KNUCKLE]]
    assert found.hand_px == pytest.approx(np.hypot(*(wrist - knuckle)))
    assert evidence_of(replace(seen.body, hand=None)).hand_px is None


def test_readers_repeat_a_point_as_well_as_is_stated():
    """Medians of the distance of two careful readings, 0.8 % at the neck and 1.3 % at the palm.

    The distance of two normal points of deviation s has the median 1.665 s; both points are to be within that.
    """
    assert 1.665 * CORRECTION_DEVIATION["side_neck"] >= 0.008
    assert 1.665 * CORRECTION_DEVIATION["mid_palm"] >= 0.013


def test_remarks_and_faults_of_the_picture_are_passed_on():
    seen = replace(seen_arm(usual_joints()), remarks=(SHEET_ON_BOOK,))
    found = solve_arm(seen, against_wall=True)
    assert found.usable
    assert found.problems == (SHEET_ON_BOOK,)
    faulty = solve_arm(replace(seen, problems=(PERSON_CUT,)), against_wall=True)
    assert not faulty.usable
    assert faulty.arm_length is None
    assert faulty.problems == (PERSON_CUT, SHEET_ON_BOOK)
    assert faulty.points_px.keys() == found.points_px.keys()


def test_a_hand_not_seen_widens_the_interval():
    points = usual_joints()
    open_hand, without = seen_arm(points), seen_arm(points, hand=False)
    hand = replace(open_hand.body.hand, repeat_px=0.5)
    open_hand = replace(open_hand, body=replace(open_hand.body, hand=hand))
    seen, blind = (solve_arm(each, against_wall=True) for each in (open_hand, without))
    assert "middle_fingertip" not in blind.points_px
    assert blind.arm_length.standard_uncertainty_mm > 1.3 * seen.arm_length.standard_uncertainty_mm
    assert blind.hand_breadth is None


def test_how_the_arm_is_held():
    for elevation in (-12.0, 9.0):
        for outward in (1.0, -1.0):
            points = joints(elevation, outward)
            seen = seen_arm(points, outward)
            found = solved(points, outward)
            pose = pose_of(seen.body, *found)
            assert pose.elevation_deg == pytest.approx(elevation, abs=0.2)
            assert pose.bend_deg == pytest.approx(0.0, abs=0.5)
            assert pose.turn == pytest.approx(0.0, abs=0.015)


def solved(points, outward):
    """The evidence of a made-up arm, and the arm itself as if it had been solved."""
    return evidence(points, outward), Solution(priors.WALL, points, 0.0, {})
