"""Neck and shoulder from the arm's photo: by hand before a made-up camera, and on a sample photo."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.print_scale import PrintScale
from tests.vision.arm.made_up import camera
from vision.arm import priors as priors
from vision.arm.body import SeenBody
from vision.arm.estimator import Solution
from vision.arm.mixture import Mixture
from vision.arm.posture import CHIN_BEFORE_NECK_MM, HEAD_HELD_MM, posture_lengths
from vision.person.neck import NeckPoint, look_at_shoulders
from vision.person.pose import Person, find_people
from vision.person.posture import PosturePoint, SeenPosture, find_posture
from vision.photo import Photo, load_photo

SAMPLE = Path(__file__).resolve().parents[3] / "sample_images" / "child-2.jpg"
DEPTH_MM = 110.0
NECK, TIP, CHIN = np.array([60.0, 0.0]), np.array([150.0, -56.0]), np.array([5.0, 22.0])
QUARTER = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


def lengths(turn=None, hidden=(), prints=None, deviation_px=3.0):
    """Of points that stand exactly where they are said to stand, seen through the camera."""
    turn, view = np.eye(3) if turn is None else turn, camera()

    def seen(name, place, depth):
        if name in hidden:
            return None
        return PosturePoint(view.project((turn @ [*place, depth])[None])[0], deviation_px, deviation_px)

    posture = SeenPosture(
        seen("chin", CHIN, DEPTH_MM + CHIN_BEFORE_NECK_MM[0]), seen("neck", NECK, DEPTH_MM), seen("tip", TIP, DEPTH_MM)
    )
    body = SeenBody(view, "left", np.zeros((33, 2)), np.ones(33), NeckPoint(np.zeros(2), 1.0, True), None, posture)
    points = np.zeros((5, 3))
    points[0, 2] = DEPTH_MM
    mixture = Mixture((Solution(priors.WALL, points, 0.0, {}),), np.array([1.0]))
    return posture_lengths(body, turn, mixture, prints or {})


@pytest.mark.parametrize("turn", [np.eye(3), QUARTER])
def test_lengths_are_those_before_the_wall_however_the_sheet_hangs(turn):
    found = lengths(turn)
    assert found["neck_length"].value_mm == pytest.approx(22 + 56, abs=0.1)
    assert found["shoulder_fall"].value_mm == pytest.approx(56, abs=0.1)
    assert found["shoulder_run"].value_mm == pytest.approx(90, abs=0.1)


def test_what_is_hidden_is_not_measured():
    assert set(lengths(hidden=("tip",)).values()) == {None}
    without_chin, without_neck = lengths(hidden=("chin",)), lengths(hidden=("neck",))
    assert without_chin["neck_length"] is None
    assert without_chin["shoulder_fall"] is not None
    assert without_neck["neck_length"] is not None
    assert without_neck["shoulder_fall"] is without_neck["shoulder_run"] is None


def test_each_cause_is_in_the_budget():
    """Three pixels at each end, as millimetres; the head's own; the print's share of the length."""
    found = lengths(prints={"a4-1": PrintScale(1.0, 0.01)})["neck_length"]
    parts = {each.source: each.contribution_mm for each in found.budget}
    view = camera()
    a_pixel = np.linalg.norm(np.diff(view.to_plane(np.array([[500.0, 500.0], [501.0, 500.0]]), DEPTH_MM), axis=0))
    assert parts["the shoulder's tip"] == pytest.approx(3 * a_pixel, rel=0.02)
    assert parts["chin"] == pytest.approx(3 * a_pixel, rel=0.08)  # nearer to the camera
    assert parts["how the head is held"] == HEAD_HELD_MM
    assert sum(abs(each.contribution_mm) for each in found.budget if each.key) == pytest.approx(0.78, rel=0.05)
    assert found.standard_uncertainty_mm > lengths(deviation_px=0.1)["neck_length"].standard_uncertainty_mm


@pytest.fixture(scope="module")
def photo() -> Photo:
    return load_photo(SAMPLE.read_bytes(), SAMPLE.name)


@pytest.fixture(scope="module")
def person(photo: Photo) -> Person:
    return find_people(photo.rgb)[0]


def test_chin_and_shoulder_are_found_where_they_show(photo: Photo, person: Person) -> None:
    found = find_posture(photo.rgb, person, "left", look_at_shoulders(photo.rgb, person))
    mouth = person.points_px[9:11].mean(axis=0)
    assert found.chin is not None
    assert found.tip is not None
    assert mouth[1] < found.chin.px[1] < found.tip.px[1]
    assert np.linalg.norm(found.tip.px - person.point("shoulder", "right")) < 0.3 * np.linalg.norm(
        person.point("shoulder", "right") - person.point("shoulder", "left")
    )


def test_a_covered_chin_is_not_measured(photo: Photo, person: Person) -> None:
    covered = photo.rgb.copy()
    mouth, eyes = person.points_px[9:11].mean(axis=0), person.points_px[[2, 5]].mean(axis=0)
    centre = (mouth + 0.4 * (mouth - eyes)).round().astype(int)
    cv2.circle(covered, centre.tolist(), int(np.linalg.norm(mouth - eyes)), (30, 60, 190), -1)
    assert find_posture(covered, person, "left", None).chin is None
