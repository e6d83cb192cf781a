"""The network that finds the sides of the neck, on sample photos."""

import cv2
import numpy as np
import pytest

from tests.vision.sample_photos import photo, truth
from vision.person.neck_net import NeckNet


@pytest.fixture(scope="module")
def net():
    return NeckNet()


def sample(name):
    return photo(name).rgb, {key: np.array(place["px"]) for key, place in truth(name)["points"].items()}


def shoulders(points):
    """The shoulder joints (2,) px and their distance."""
    left, right = points["shoulder_joint_L"], points["shoulder_joint_R"]
    return left, right, float(np.linalg.norm(left - right))


@pytest.mark.parametrize("name", ["child-1", "child-2", "child-3"])
def test_finds_the_sides_of_the_neck(net, name):
    rgb, points = sample(name)
    left, right, width = shoulders(points)
    found = net(rgb, left, right)
    for side in "LR":
        got = found.points[{"L": "left", "R": "right"}[side]]
        error = np.hypot(got.x - points[f"side_neck_{side}"][0], got.y - points[f"side_neck_{side}"][1])
        assert error < 0.06 * width
        assert 0.005 * width < got.sigma_px < 0.1 * width


def test_is_less_sure_where_the_neck_is_hidden(net):
    rgb, points = sample("child-3")
    left, right, width = shoulders(points)
    seen = net(rgb, left, right)
    hidden = rgb.copy()
    middle = 0.5 * (points["side_neck_L"] + points["side_neck_R"])
    cv2.circle(hidden, tuple(int(v) for v in middle), int(0.7 * width), (90, 60, 40), -1)
    blind = net(hidden, left, right)
    assert blind.points["left"].sigma_px > 1.3 * seen.points["left"].sigma_px
    assert blind.points["right"].sigma_px > 1.3 * seen.points["right"].sigma_px


def test_tells_on_which_side_a_bare_neck_is_seen(net):
    rgb, points = sample("child-3")
    assert max(net(rgb, points["shoulder_joint_L"], points["shoulder_joint_R"]).seen.values()) > 0.5
    nobody = np.full_like(rgb, 128)
    assert max(net(nobody, points["shoulder_joint_L"], points["shoulder_joint_R"]).seen.values()) < 0.5


@pytest.mark.parametrize("name", ["child-1", "child-2", "child-3"])
def test_the_outline_of_a_front_is_where_the_body_is_and_the_turn_is_told(net, name):
    rgb, points = sample(name)
    left, right, width = shoulders(points)
    found = net(rgb, left, right)
    for side in ("left", "right"):
        body, outline = found.points[side], found.points[f"outline_{side}"]
        assert np.hypot(body.x - outline.x, body.y - outline.y) < 0.08 * width
    scene = truth(name)
    to = np.array(scene["eye_mm"]) - scene["points"]["side_neck_L"]["mm"]
    turned = scene["pose"]["torso_yaw_deg"] - np.degrees(np.arctan2(to[0], to[2]))
    assert found.turn.deg == pytest.approx(turned, abs=8.0)
    assert 1.0 < found.turn.deviation_deg < 8.0


def test_a_mirrored_picture_is_turned_the_other_way(net):
    rgb, points = sample("child-3")
    left, right = points["shoulder_joint_L"], points["shoulder_joint_R"]
    last = np.array([rgb.shape[1] - 1, 0])
    other = net(np.ascontiguousarray(rgb[:, ::-1]), *(last + end * [-1, 1] for end in (right, left)))
    assert other.turn.deg == pytest.approx(-net(rgb, left, right).turn.deg, abs=4.0)


def test_left_and_right_are_the_persons_own(net):
    rgb, points = sample("child-3")
    found = net(rgb, points["shoulder_joint_L"], points["shoulder_joint_R"])
    assert found.points["left"].x > found.points["right"].x
    assert found.points["acromion_left"].x > found.points["left"].x


def test_refuses_shoulders_on_one_spot(net):
    with pytest.raises(ValueError, match="one spot"):
        net(np.zeros((50, 50, 3), np.uint8), np.array([20.0, 20.0]), np.array([20.0, 20.0]))
