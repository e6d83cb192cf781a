"""What is read off a body in a photo: usual errors removed, the body's axes on the wall, and lines of sight."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.arm.made_up import joints, seen_arm, sheet_from_body, usual_joints
from vision.arm import priors as priors
from vision.arm.body import WRIST_OF_ARM, body_frame, faces_camera, lines_of_sight, sightings_of, stretched_side
from vision.arm.priors import JOINTS
from vision.person.hand import HandPoint
from vision.person.pose import Landmark, Person


def projected(seen, points):
    return seen.body.camera.project(points @ body_frame(seen.body)[0].T)


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_axes_are_the_bodys_however_the_sheet_hangs(quarters, outward):
    body_to_sheet, out, lean_deg = body_frame(seen_arm(usual_joints(outward), outward, quarters).body)
    assert np.array_equal(body_to_sheet, sheet_from_body(quarters))
    assert out == outward
    assert lean_deg == pytest.approx(-priors.TRUNK_AXIS[0], abs=0.05)


@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_a_trunk_leaning_away_from_the_arm_leans_by_a_positive_angle(outward):
    body = seen_arm(usual_joints(outward), outward).body
    moved = body.landmarks_px.copy()
    hips = [Landmark.LEFT_HIP, Landmark.RIGHT_HIP]
    trunk = moved[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]].mean(axis=0) - moved[hips].mean(axis=0)
    # hips moved towards the arm: the shoulders lean away from it
    moved[hips] += np.tan(np.radians(4.0)) * np.linalg.norm(trunk) * np.array([outward, 0.0])
    leaning = body_frame(replace(body, landmarks_px=moved))[2] - body_frame(body)[2]
    assert leaning == pytest.approx(4.0, abs=0.1)


@pytest.mark.parametrize("outward", [1.0, -1.0])
@pytest.mark.parametrize("quarters", [0, 3])
def test_usual_errors_are_removed(outward, quarters):
    points = usual_joints(outward)
    seen = seen_arm(points, outward, quarters)
    sightings, arm_px = sightings_of(seen.body)
    assert np.array([sightings[name].px for name in JOINTS]) == pytest.approx(projected(seen, points), abs=0.05)
    reach = np.linalg.norm(seen.body.landmark("wrist") - seen.body.landmark("shoulder"))
    assert arm_px == pytest.approx(reach / WRIST_OF_ARM)


STRAIGHT = (priors.STRAIGHT_SHOULDER_ERROR, priors.STRAIGHT_ELBOW_ERROR, priors.STRAIGHT_WRIST_ERROR)
OTHERWISE = (priors.SHOULDER_ERROR, priors.ELBOW_ERROR, priors.WRIST_ERROR)


def bent(body):
    """The same body with its elbow a fifth of the arm too low."""
    moved = body.landmarks_px.copy()
    moved[Landmark.LEFT_ELBOW] += [0.0, 0.2 * np.linalg.norm(body.landmark("wrist") - body.landmark("shoulder"))]
    return replace(body, landmarks_px=moved)


def aside(body):
    """The same body with its other shoulder behind this one, as of a person turned to one side."""
    moved = body.landmarks_px.copy()
    moved[Landmark.RIGHT_SHOULDER] = moved[Landmark.LEFT_SHOULDER] + [5.0, 0.0]
    return replace(body, landmarks_px=moved)


def turned(landmarks, centre, degrees):
    """The same body with these landmarks and the hand turned about another one, in the picture."""

    def change(body):
        moved, c, s = body.landmarks_px.copy(), np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        turn, middle = np.array([[c, -s], [s, c]]), moved[centre].copy()
        moved[landmarks] = middle + (moved[landmarks] - middle) @ turn
        hand = replace(body.hand, points_px=middle + (body.hand.points_px - middle) @ turn)
        return replace(body, landmarks_px=moved, hand=hand)

    return change


FOREARM = [Landmark.LEFT_WRIST, Landmark.LEFT_INDEX, Landmark.LEFT_LITTLE]
ARM = [Landmark.LEFT_ELBOW, *FOREARM]


@pytest.mark.parametrize(
    ("change", "errors"),
    [
        (lambda body: body, STRAIGHT),
        (bent, OTHERWISE),
        (aside, OTHERWISE),
        *((turned(ARM, Landmark.LEFT_SHOULDER, degrees), STRAIGHT) for degrees in (-20.0, 20.0)),
        *((turned(ARM, Landmark.LEFT_SHOULDER, degrees), OTHERWISE) for degrees in (-32.0, 32.0)),
        *((turned(FOREARM, Landmark.LEFT_ELBOW, degrees), STRAIGHT) for degrees in (-11.0, 11.0)),
        *((turned(FOREARM, Landmark.LEFT_ELBOW, degrees), OTHERWISE) for degrees in (-19.0, 19.0)),
    ],
)
def test_each_point_scatters_along_and_across_the_arm_as_usual(change, errors):
    seen = seen_arm(usual_joints())
    seen = replace(seen, body=change(seen.body))
    sightings, arm_px = sightings_of(seen.body)
    reach = seen.body.landmark("wrist") - seen.body.landmark("shoulder")
    along = reach / np.linalg.norm(reach)
    across = np.array([-along[1], along[0]])
    arm_px *= np.hypot(1.0, priors.SMALL_ARM_PX / arm_px)  # in a small picture landmarks are further off
    for name, error in (
        *zip(("shoulder", "elbow", "wrist"), errors, strict=True),
        ("palm", priors.PALM_ERROR),
    ):
        root = sightings[name].whitening
        covariance = np.linalg.inv(root.T @ root)
        assert along @ covariance @ along == pytest.approx((error.along_deviation * arm_px) ** 2)
        assert across @ covariance @ across == pytest.approx((error.across_deviation * arm_px) ** 2)
        assert along @ covariance @ across == pytest.approx(0.0, abs=1e-6)
    neck = sightings["neck"].whitening
    assert neck == pytest.approx(np.eye(2) / seen.body.neck.deviation_px)


def test_an_open_hand_read_twice_tells_the_palm_best():
    body = seen_arm(usual_joints()).body
    twice = replace(body.hand, repeat_px=0.5)
    on_edge = twice.points_px.copy()
    middle = on_edge[HandPoint.WRIST]
    on_edge[:, 1] = middle[1] + 0.2 * (on_edge[:, 1] - middle[1])
    assert faces_camera(twice)
    assert not faces_camera(body.hand)
    assert not faces_camera(replace(twice, points_px=on_edge))
    (once, _), (better, _) = (sightings_of(replace(body, hand=hand)) for hand in (body.hand, twice))
    gain = priors.PALM_ERROR.along_deviation / priors.OPEN_PALM_ERROR.along_deviation
    gain *= priors.PALM_ERROR.across_deviation / priors.OPEN_PALM_ERROR.across_deviation
    assert np.linalg.det(better["palm"].whitening) == pytest.approx(gain * np.linalg.det(once["palm"].whitening))


@pytest.mark.parametrize(("share", "by"), [(0.05, 0.0), (0.14, 0.07)])
def test_a_palm_far_from_where_the_body_has_it_is_less_sure(share, by):
    body = seen_arm(usual_joints()).body
    reach = body.landmark("wrist") - body.landmark("shoulder")
    arm_px = float(np.linalg.norm(reach)) / WRIST_OF_ARM
    knuckles = 0.5 * (body.landmark("index") + body.landmark("little"))
    away = 0.5 * (body.landmark("wrist") + knuckles) + share * arm_px * reach / np.linalg.norm(reach)
    hand = replace(body.hand, points_px=body.hand.points_px + away - body.hand.palm_px)
    root = sightings_of(replace(body, hand=hand))[0]["palm"].whitening
    grown = np.hypot(1.0, priors.SMALL_ARM_PX / arm_px) * arm_px
    deviations = np.sqrt(np.linalg.eigvalsh(np.linalg.inv(root.T @ root))) / grown
    usual = [priors.PALM_ERROR.across_deviation, priors.PALM_ERROR.along_deviation]
    assert deviations == pytest.approx(np.hypot(usual, by))


def test_causes_say_what_was_seen():
    seen = seen_arm(usual_joints())
    names = {name: sighting.cause for name, sighting in sightings_of(seen.body)[0].items()}
    assert names["neck"] == "neck point"
    assert names["palm"] == "palm point"
    assert names["shoulder"] == names["elbow"] == names["wrist"] == "shoulder, elbow and wrist points"
    covered = replace(seen.body, hand=None, neck=replace(seen.body.neck, seen=False))
    names = {name: sighting.cause for name, sighting in sightings_of(covered)[0].items()}
    assert names["neck"] == "neck point (covered)"
    assert names["palm"] == "palm point (hand not seen)"


def test_without_a_hand_the_palm_is_guessed_between_wrist_and_knuckles():
    seen = seen_arm(usual_joints(), hand=False)
    sightings, arm_px = sightings_of(seen.body)
    index, little, wrist = (seen.body.landmark(name) for name in ("index", "little", "wrist"))
    assert sightings["palm"].px == pytest.approx(0.5 * wrist + 0.25 * (index + little))
    spread = priors.PALM_WITHOUT_HAND_ERROR
    arm_px *= np.hypot(1.0, priors.SMALL_ARM_PX / arm_px)
    expected = (spread.along_deviation * spread.across_deviation * arm_px**2) ** -1
    assert np.linalg.det(sightings["palm"].whitening) == pytest.approx(expected)


@pytest.mark.parametrize("quarters", [0, 1])
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_lines_of_sight_slope_outwards_and_up_per_step_to_the_wall(quarters, outward):
    points = usual_joints(outward)
    joints_px, slopes = lines_of_sight(seen_arm(points, outward, quarters).body)
    assert joints_px == pytest.approx(projected(seen_arm(points, outward, quarters), points)[1:], abs=0.05)
    # the camera stands 250 mm outwards of the body frame's origin, 1800 mm from the wall, at its height
    for slope, point in zip(slopes, points[[1, 4]], strict=True):
        away = 1800.0 - point[2]
        assert slope == pytest.approx([(point[0] * outward - 250.0) / away, point[1] / away], abs=1e-3)


@pytest.mark.parametrize(("outward", "side"), [(1.0, "left"), (-1.0, "right")])
def test_the_arm_that_is_held_out_is_measured(outward, side):
    body = seen_arm(joints(outward=outward), outward).body
    landmarks = body.landmarks_px.copy()
    other = "right" if side == "left" else "left"
    shoulder = landmarks[Landmark[f"{other}_shoulder".upper()]]
    landmarks[Landmark[f"{other}_wrist".upper()]] = shoulder + np.array([20.0, 380.0])  # hangs down
    person = Person(landmarks, np.ones(33))
    assert stretched_side(person) == side
