"""Several photos of a made-up child, solved from end to end: what goes in, what is left out, and what comes of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.camera import PosedCamera
from calibration.print_scale import PrintScale
from tests.vision.arm.made_up_views import AWAY_MM, aside, camera_at, child, seen_views
from vision.arm import priors, views
from vision.arm.body import sightings_of
from vision.arm.joints import arm_length_mm
from vision.arm.measure import CORRECTION_DEVIATION, solve_arm
from vision.arm.views import solve_views
from vision.person.posture import PosturePoint, SeenPosture
from vision.problems import ARM_FORWARD, CAMERA_TILTED, ELBOW_BENT, NOT_AS_TOLD, SHEET_ON_BOOK, STATED_BUILD, STEP_ASIDE

STEPS_MM = (-350.0, 0.0, 350.0)


def cameras() -> list[PosedCamera]:
    return [aside(step, -150.0 + 0.2 * step) for step in STEPS_MM]


def true_mm() -> float:
    return float(arm_length_mm(child()["joints"], 1.0, 0.0))


@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_the_arm_of_three_views_is_the_childs(outward):
    seen = seen_views(cameras(), outward=outward)
    found = solve_views(seen)
    assert (found.used, found.left_out) == ((0, 1, 2), ())
    arm = found.measurement.arm_length
    assert arm.value_mm == pytest.approx(true_mm(), rel=0.012)
    assert arm.low_mm < true_mm() < arm.high_mm
    # from where the photos were taken, to the palm
    palm = child(outward=outward)["joints"][4]
    sights = [camera.position_mm - palm for camera in cameras()]
    lengths = np.linalg.norm(sights, axis=1)
    expected = np.degrees(np.arccos(sights[0] @ sights[2] / lengths[0] / lengths[2]))
    assert found.spread_deg == pytest.approx(expected, rel=0.02)
    assert found.measurement.problems == ()
    assert found.measurement.side == ("left" if outward > 0 else "right")
    assert found.measurement.photo == "0 + 1 + 2"
    assert found.measurement.usable
    # points, faces, sheets and camera are the first view's
    assert found.measurement.points_px["mid_palm"] == pytest.approx(cameras()[0].project(palm[None])[0], abs=4.0)
    assert found.measurement.faces_px == seen[0].faces_px
    assert found.measurement.sheets == seen[0].sheets
    # the distance goes with the focal length, which is known to some percent
    assert found.measurement.camera.position_mm == pytest.approx(cameras()[0].position_mm, abs=40.0)


def test_what_is_kept_of_one_sequence():
    """Kept from the code whose rows and slopes had been checked by differences: a change must be meant."""
    seen = seen_views(cameras(), moved_mm=[0.0, np.array([6.0, -4.0, 9.0]), 0.0])
    seen = [replace(seen[0], body=replace(seen[0].body, posture=_posture(seen[0]))), *seen[1:]]
    found = solve_views(seen, age_years=9.0, against_wall=False)
    kept = {
        "arm_length": (498.549, 482.508, 515.268),
        "neck_to_wrist": (445.481, 427.671, 463.904),
        "spine_to_palm": (546.908, 528.126, 566.273),
        "hand_breadth": (74.325, 66.208, 82.442),
        "neck_length": (64.550, 44.893, 84.208),
        "shoulder_run": (85.985, 77.376, 94.594),
    }
    for name, expected in kept.items():
        length = getattr(found.measurement, name)
        assert (length.value_mm, length.low_mm, length.high_mm) == pytest.approx(expected, rel=1e-4), name
    assert found.measurement.wall_probability == 0.0
    parts = {part.source: part.contribution_mm for part in found.measurement.arm_length.budget}
    assert parts["sway between the photos"] == pytest.approx(2.3941, rel=1e-3)
    assert parts["shoulder, elbow and wrist points"] == pytest.approx(3.3197, rel=1e-3)
    assert parts["hand against the wall or not"] == pytest.approx(0.6671, rel=1e-3)
    assert parts["trunk turned or not"] == pytest.approx(2.1253, rel=1e-3)


def _posture(seen) -> SeenPosture:
    """Chin, neck and the other shoulder's tip, 70 px above one another."""
    neck = seen.body.neck.px
    chin, tip = neck + np.array([-45.0, -12.0]), neck + np.array([-60.0, 34.0])
    return SeenPosture(*(PosturePoint(px, 3.0, 2.0) for px in (chin, neck, tip)))


def test_the_print_is_what_a_ruler_says_in_any_photo():
    """All lengths go with the print: a sheet printed 2 % too large makes an arm of 2 % more."""
    plain, ruled = seen_views(cameras()), seen_views(cameras())
    ruled[1] = replace(ruled[1], prints={"a4-1": PrintScale(1.02, 0.0005, ruler=True)})
    before, after = (solve_views(each, against_wall=False).measurement.arm_length for each in (plain, ruled))
    assert after.value_mm / before.value_mm == pytest.approx(1.02, abs=0.002)
    (printed,) = [part for part in after.budget if part.key == "print-scale:a4-1"]
    assert printed.contribution_mm == pytest.approx(0.0005 / 1.02 * 1.2 * 415.0, rel=0.1)


def test_the_hand_is_told_by_the_photo_in_which_it_looks_neither_large_nor_small():
    three = solve_views(seen_views([*cameras(), aside(100.0)], hands=[1.3, 0.0, 0.8, 1.0])).measurement
    usual = solve_views(seen_views(cameras())).measurement
    assert three.hand_length.value_mm == pytest.approx(usual.hand_length.value_mm, rel=0.02)
    none = solve_views(seen_views(cameras(), hands=[0.0, 0.0, 0.0])).measurement
    assert none.hand_breadth is None
    assert none.hand_length.value_mm == pytest.approx(0.30 * none.arm_length.value_mm)


@pytest.mark.parametrize(("moved_mm", "left_out"), [(0.98 * 36.71, ()), (1.02 * 36.71, (2,))])
def test_a_view_is_left_out_where_one_in_a_thousand_fits_so_badly(moved_mm, left_out, monkeypatch):
    """Of three views: chi-square of ten degrees of freedom is 32.48 with probability 0.001 / 3.

    A child that stands 36.71 mm higher in one photo misfits by that (kept from the code as it was when its rows had
    been checked against their description: a change must be meant).  Short of that, a child that moved between the
    photos explains it better than one that stood still.
    """
    seen = seen_views(cameras(), [0.0, 0.0, np.array([0.0, moved_mm, 0.0])])
    assert (solve_views(seen, against_wall=True) is None) == (not left_out)
    monkeypatch.setattr(views, "MOST_MOVED", 1.0)
    found = solve_views(seen, against_wall=True)
    assert found.left_out == left_out
    assert found.used == tuple(number for number in (0, 1, 2) if number not in left_out)


@pytest.mark.parametrize(("degrees", "asked"), [(7.6, True), (8.4, False)])
def test_a_step_aside_is_asked_for_below_eight_degrees(degrees, asked):
    palm = child(priors.WALL)["joints"][4]
    half = np.tan(np.radians(degrees / 2)) * (AWAY_MM - palm[2])
    places = [camera_at((palm[0] + step, palm[1], AWAY_MM)) for step in (-half, half)]
    found = solve_views(seen_views(places, stance=priors.WALL), against_wall=True)
    assert found.spread_deg == pytest.approx(degrees, abs=0.2)
    assert found.measurement.problems == ((STEP_ASIDE,) if asked else ())


def test_what_a_family_says_is_used_unless_the_photos_contradict_it():
    seen = seen_views(cameras())
    seen[1] = replace(seen[1], remarks=(SHEET_ON_BOOK,))
    seen[2] = replace(seen[2], remarks=(SHEET_ON_BOOK,))
    plain = solve_views(seen, against_wall=False).measurement
    assert plain.problems == (SHEET_ON_BOOK,)
    fitting, wrong = (
        solve_views(seen, stature_mm=stature, against_wall=False).measurement for stature in (1340.0, 1900.0)
    )
    assert fitting.arm_length.value_mm > plain.arm_length.value_mm + 0.5
    assert fitting.arm_length.standard_uncertainty_mm < plain.arm_length.standard_uncertainty_mm
    assert any(part.source == "age and stature as stated" for part in fitting.arm_length.budget)
    assert fitting.problems == (SHEET_ON_BOOK,)
    assert wrong.problems == (SHEET_ON_BOOK, STATED_BUILD)
    assert wrong.arm_length == plain.arm_length
    assert solve_views(seen, age_years=2.5, against_wall=False).measurement.problems[-1] == STATED_BUILD


def test_an_elbow_bent_towards_the_camera_is_told_by_parallax_though_each_photo_shows_it_straight():
    seen = seen_views([aside(step) for step in (-600.0, -300.0, 0.0, 300.0, 600.0)], stance=priors.BENT)
    assert all(ELBOW_BENT not in solve_arm(one).problems for one in seen)
    found = solve_views(seen)
    assert found.measurement.problems == (ELBOW_BENT,)
    assert not found.measurement.usable
    assert found.measurement.arm_length is None
    assert found.measurement.spine_to_palm is None
    assert not any(view.usable for view in found.views)


def test_an_arm_that_some_photos_show_held_forward_is_refused_in_those_that_do_not():
    seen = seen_views([aside(step) for step in (-600.0, -300.0, 0.0, 300.0, 600.0)], stance=priors.FLOATING)
    shadows = [(0.02, 0.08, 0.90), (0.02, 0.08, 0.90), *[(0.02, 0.68, 0.30)] * 3]
    seen = [
        replace(one, depths=replace(one.depths, stance=np.array(shares)))
        for one, shares in zip(seen, shadows, strict=True)
    ]
    assert [solve_arm(one).usable for one in seen] == [False, False, True, True, True]
    found = solve_views(seen)
    assert found.used == (2, 3, 4)
    assert found.measurement.problems == (ARM_FORWARD,)
    assert found.measurement.arm_length is None
    assert solve_views(seen[2:]).measurement.usable


@pytest.mark.parametrize("stance", [priors.WALL, priors.FLOATING], ids=lambda stance: stance.name)
@pytest.mark.parametrize("stature_mm", [None, 1340.0])
def test_what_is_told_of_the_hand_is_said_to_be_otherwise_only_where_the_views_show_it(stance, stature_mm):
    seen = seen_views(cameras(), stance=stance)
    touches = stance is priors.WALL
    problems = {
        told: solve_views(seen, stature_mm=stature_mm, against_wall=told).measurement.problems
        for told in (None, touches, not touches)
    }
    assert problems == {None: (), touches: (), not touches: (NOT_AS_TOLD,)}
    for view in solve_views(seen, against_wall=not touches).views:
        assert view.problems == (NOT_AS_TOLD,)


def test_a_child_off_the_wall_that_is_told_to_touch_it_is_not_taken_for_one_that_moved():
    away = seen_views(cameras(), moved_mm=[np.array([0.0, 0.0, 100.0])] * len(cameras()))
    found = solve_views(away, against_wall=True)
    assert found.used == (0, 1, 2)
    assert NOT_AS_TOLD in found.measurement.problems


@pytest.mark.parametrize("gap_mm", [0.0, 100.0, 200.0, 300.0])
def test_how_far_a_child_stands_from_the_wall_is_seen_by_several_photos(gap_mm):
    """One photo takes the gap for size: 6 % for 100 mm from 1.9 m, by proportion 100 / (1900 - 120)."""
    seen = seen_views(cameras(), moved_mm=[np.array([0.0, 0.0, gap_mm])] * len(cameras()))
    arm = solve_views(seen).measurement.arm_length
    assert arm.low_mm < true_mm() < arm.high_mm
    assert arm.value_mm == pytest.approx(true_mm(), rel=0.02)
    near, far = (
        solve_arm(seen_views(cameras(), moved)[0]).arm_length for moved in (None, [np.array([0, 0, gap_mm])] * 3)
    )
    assert far.value_mm / near.value_mm == pytest.approx(1 + gap_mm / (AWAY_MM - 120.0 - gap_mm), abs=0.025)


def test_photos_of_the_other_arm_and_useless_ones_stay_out():
    mine, other = seen_views(cameras()), seen_views(cameras()[:1], outward=-1.0)
    useless = replace(mine[1], problems=(CAMERA_TILTED,))
    found = solve_views([useless, other[0], mine[0], mine[2]], against_wall=False)
    assert (found.used, found.left_out) == ((2, 3), (1,))
    assert found.measurement.photo == "0 + 2"
    assert solve_views([mine[0], useless], against_wall=False) is None
    assert solve_views([mine[0], other[0]], against_wall=False) is None
    assert solve_views([]) is None


def test_several_views_are_surer_than_each_and_a_stance_that_is_stated_is_believed():
    seen = seen_views(cameras(), stance=priors.WALL)
    together = solve_views(seen, against_wall=True).measurement
    assert together.wall_probability == 1.0
    alone = [solve_arm(one, against_wall=True).arm_length.standard_uncertainty_mm for one in seen]
    assert together.arm_length.standard_uncertainty_mm < 0.97 * min(alone)
    assert solve_views(seen).measurement.wall_probability > 0.5


def arm_of(found) -> tuple[float, float, float]:
    arm = found.measurement.arm_length
    return arm.value_mm, arm.low_mm, arm.high_mm


def test_where_no_point_is_moved_nothing_changes():
    seen = seen_views(cameras())
    assert arm_of(solve_views(seen, 9.0, corrections={})) == arm_of(solve_views(seen, 9.0))


def test_a_point_moved_in_every_view_counts_as_if_it_had_been_seen_there(monkeypatch):
    """The neck lies elsewhere in every photo; seen there, or moved there by a hand as sure as the network."""
    seen = seen_views(cameras())
    steps = [np.array([9.0, -4.0]), np.array([8.0, -3.0]), np.array([10.0, -5.0])]
    there = []
    for one, step in zip(seen, steps, strict=True):
        _, arm_px = sightings_of(one.body)
        neck = replace(one.body.neck, px=one.body.neck.px + step, deviation_px=0.012 * arm_px)
        there.append(replace(one, body=replace(one.body, neck=neck)))
    monkeypatch.setitem(CORRECTION_DEVIATION, "side_neck", 0.012)
    moved = {number: {"side_neck": tuple(one.body.neck.px)} for number, one in enumerate(there)}
    found, expected = solve_views(seen, 9.0, corrections=moved), solve_views(there, 9.0)
    assert arm_of(found) == pytest.approx(arm_of(expected), rel=1e-6)
    assert found.used == (0, 1, 2)
    parts = {part.source: part.contribution_mm for part in found.measurement.arm_length.budget}
    assert parts["neck point placed by hand"] == pytest.approx(
        {part.source: part.contribution_mm for part in expected.measurement.arm_length.budget}["neck point"], rel=1e-5
    )
    for view, other in zip(found.views, expected.views, strict=True):
        assert view.points_px["side_neck"] == pytest.approx(other.points_px["side_neck"], abs=1e-3)
    assert abs(arm_of(expected)[0] - arm_of(solve_views(seen, 9.0))[0]) > 2.0


@pytest.mark.parametrize("view", [0, 2])
def test_a_point_moved_in_one_view_moves_the_arm_of_all(view):
    seen = seen_views(cameras())
    before = solve_views(seen, against_wall=False)
    x, y = before.views[view].points_px["mid_palm"]
    _, arm_px = sightings_of(seen[view].body)
    lengths = []
    for share in (0.0, 0.03, 0.10):
        found = solve_views(seen, against_wall=False, corrections={view: {"mid_palm": (x + share * arm_px, y)}})
        assert (found.used, found.left_out) == ((0, 1, 2), ())
        lengths.append(found.measurement.arm_length)
    # a hand that says what all views say changes nearly nothing
    assert lengths[0].value_mm == pytest.approx(before.measurement.arm_length.value_mm, rel=0.004)
    # the arm follows by most of the way, and by more of it the more the network is shown to err
    grown = [each.value_mm / lengths[0].value_mm - 1 for each in lengths]
    assert 0.3 * 0.03 < grown[1] < 0.03
    assert 0.4 * 0.10 < grown[2] < 0.12
    assert grown[2] / 0.10 > grown[1] / 0.03


def test_points_are_where_each_photo_shows_them_as_the_child_stood_there():
    step = np.array([7.0, 5.0, 0.0])
    seen = seen_views(cameras(), moved_mm=[0.0, step, 0.0])
    found = solve_views(seen, against_wall=False)
    palm = child()["joints"][4]
    for number, (view, camera) in enumerate(zip(found.views, cameras(), strict=True)):
        at = camera.project((palm + (step if number == 1 else 0.0))[None])[0]
        assert view.points_px["mid_palm"] == pytest.approx(at, abs=4.0)
        assert (view.faces_px, view.sheets) == (seen[number].faces_px, seen[number].sheets)
        assert view.arm_length is found.measurement.arm_length
    assert [one.photo for one in found.seen] == ["0", "1", "2"]
