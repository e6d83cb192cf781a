"""The network that tells stance and depths, and how far it is believed."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.vision.sample_photos import photo, truth
from vision.arm import priors as priors
from vision.arm.depth import (
    FLOOR,
    HAND,
    MEMBERS,
    MODEL,
    USUAL_SHARE,
    WIDE,
    ArmDepths,
    Word,
    World,
    arm_depths,
    arm_picture,
    informed,
    stance_log_likelihood,
    usual_steps,
    weakened,
    worlds,
)
from vision.networks.session import session

USUAL_MEAN, USUAL = usual_steps()
EVEN = World(np.full(3, 1 / 3), USUAL_MEAN, USUAL)
JOINTS = np.array([[300.0, 200.0], [420.0, 205.0], [520.0, 200.0], [570.0, 205.0]])


def told(stance=(0.0, 0.0, 0.0), steps=0.0, log_root=0.0) -> ArmDepths:
    """What one network that says the same of every stance is taken to mean."""
    depth = np.zeros((1, 3, 20))
    depth[..., :5] = steps
    depth[..., 5 + np.cumsum(np.arange(1, 6)) - 1] = log_root
    return weakened(np.array([stance]), depth, np.zeros((1, 3, 2)), [EVEN])


def test_no_stance_is_ever_excluded():
    sure = told(stance=(60.0, 0.0, 0.0))
    assert sure.stance.sum() == pytest.approx(1.0)
    assert sure.stance.min() > 0.9 * FLOOR
    assert stance_log_likelihood(priors.WALL, sure) > stance_log_likelihood(priors.FLOATING, sure) + 3


def test_doubt_never_falls_far_below_the_usual():
    sure = told(log_root=3.0)
    usual = np.diagonal(USUAL, axis1=1, axis2=2)
    assert (np.diagonal(sure.covariance, axis1=1, axis2=2) >= 0.99 * USUAL_SHARE**2 * usual).all()
    for stance in priors.STANCES:
        new = informed(stance, sure)
        assert np.linalg.eigvalsh(new.depth_covariance).min() > 0
        assert (np.diagonal(new.depth_covariance) < np.diagonal(stance.depth_covariance)).all()


def test_nothing_told_leaves_the_stance_as_it_was():
    for stance in priors.STANCES:
        new = informed(stance, ArmDepths.usual())
        assert new.depth == pytest.approx(stance.depth)
        assert new.depth_covariance == pytest.approx(stance.depth_covariance)


def test_steps_move_the_depths_along_the_chain():
    further = informed(priors.FLOATING, replace(ArmDepths.usual(), steps=np.ones((3, 5))))
    assert further.depth[1] == pytest.approx(priors.FLOATING.depth[1] + priors.FLOATING.step_deviation[0])
    assert further.depth[4] == pytest.approx(
        priors.FLOATING.depth[4] + priors.FLOATING.step_deviation[[0, 2, 3, 4]].sum()
    )


def two_networks(apart: float, log_root: float) -> ArmDepths:
    """What two networks mean that are equally sure, and as far apart about the shoulder; all else is as usual."""
    depth = np.zeros((2, 3, 20))
    depth[:, :, :5] = USUAL_MEAN
    depth[..., 5 + np.cumsum(np.arange(1, 6)) - 1] = log_root
    depth[:, :, 0] = 2.0 + apart * np.array([[-0.5], [0.5]])
    return weakened(np.zeros((2, 3)), depth, np.zeros((2, 3, 2)), [EVEN, EVEN])


def test_networks_that_disagree_are_less_sure():
    agreed, apart = two_networks(0.0, 2.0), two_networks(2.0, 2.0)
    assert (apart.covariance[:, 0, 0] > 3 * agreed.covariance[:, 0, 0]).all()
    # and their word moves the answer less
    assert (np.abs(apart.steps[:, 0] - USUAL_MEAN[:, 0]) < np.abs(agreed.steps[:, 0] - USUAL_MEAN[:, 0])).all()


@pytest.mark.parametrize("log_root", [-1.0, 0.5, 3.0])
def test_whatever_networks_say_no_depth_is_less_sure_than_the_stance_makes_it(log_root):
    """A hand that touches the wall is near it, however much two networks differ about where."""
    for distance in (0.0, 3.0, 30.0):
        depths = two_networks(distance, log_root)
        for stance in priors.STANCES:
            less = stance.depth_covariance - informed(stance, depths).depth_covariance
            assert np.linalg.eigvalsh(less).min() > -1e-9


def test_networks_far_apart_leave_the_usual_depth_where_they_differ():
    depths = two_networks(30.0, 3.0)
    assert depths.steps[:, 0] == pytest.approx(USUAL_MEAN[:, 0], abs=0.05)


def test_what_was_usual_where_a_network_learned_is_replaced_by_what_is_usual_here():
    # learned about N(2, 4), seen with precision 3 at 1: (2/4 + 3) / (1/4 + 3) there
    there = (2 / 4 + 3) / (1 / 4 + 3)
    world = World(np.full(3, 1 / 3), np.full((3, 5), 2.0), np.tile(4.0 * np.eye(5), (3, 1, 1)))
    word = world.word(np.full((3, 5), there), np.tile(np.eye(5) / (1 / 4 + 3), (3, 1, 1)))
    assert word.precision == pytest.approx(np.tile(3 * np.eye(5), (3, 1, 1)))
    means, covariances = word.joined()
    for mean, covariance, usual, usually in zip(means, covariances, USUAL, USUAL_MEAN, strict=True):
        expected = np.linalg.inv(3 * np.eye(5) + np.linalg.inv(usual))
        assert covariance == pytest.approx(expected)
        assert mean == pytest.approx(expected @ (np.full(5, 3.0) + np.linalg.solve(usual, usually)))


def test_a_network_that_says_no_more_than_was_usual_tells_nothing():
    world = World(np.full(3, 1 / 3), np.full((3, 5), 2.0), np.tile(4.0 * np.eye(5), (3, 1, 1)))
    means, covariances = world.word(np.full((3, 5), 2.5), np.tile(5.0 * np.eye(5), (3, 1, 1))).joined()
    assert means == pytest.approx(USUAL_MEAN)
    assert covariances == pytest.approx(USUAL)


def test_a_further_error_adds_to_what_a_word_states():
    """Seen at 1 with variance 1/3; with an error of variance 2 on top, at 1 with 7/3."""
    word = Word(np.tile(3 * np.eye(5), (3, 1, 1)), np.full((3, 5), 3.0)).blurred(np.tile(2 * np.eye(5), (3, 1, 1)))
    assert word.precision == pytest.approx(np.tile(3 / 7 * np.eye(5), (3, 1, 1)))
    assert word.pull == pytest.approx(3 / 7)


def test_each_network_of_the_file_has_its_world():
    outputs = {one.name: one.shape for one in session(MODEL).get_outputs()}
    assert outputs["stance"][0] == len(worlds()) == len(MEMBERS)
    for world in worlds():
        assert world.shares.sum() == pytest.approx(1.0)
        assert np.linalg.eigvalsh(world.covariance).min() > 0


@pytest.mark.parametrize("framing", [WIDE, HAND])
@pytest.mark.parametrize("mirrored", [False, True])
def test_pictures_show_the_arm_pointing_right(framing, mirrored):
    rgb = np.zeros((400, 800, 3), np.uint8)
    joints = JOINTS * [-1, 1] + [799, 0] if mirrored else JOINTS
    for joint, colour in zip(joints[2:], ((0, 255, 0), (255, 0, 0)), strict=True):
        cv2.circle(rgb, tuple(np.round(joint).astype(int)), 8, colour, -1)
    picture = arm_picture(rgb, joints, framing).astype(int)
    assert picture.shape == (framing.height_px, framing.width_px, 3)
    palm = np.argwhere(picture[..., 0] - picture[..., 1] > 150).mean(axis=0)
    wrist = np.argwhere(picture[..., 1] - picture[..., 0] > 150).mean(axis=0)
    straight = np.linalg.norm(np.diff(joints, axis=0), axis=1).sum()
    expected = np.linalg.norm(joints[3] - joints[2]) * framing.arm_px / straight
    assert palm[1] > wrist[1]
    assert np.linalg.norm(palm - wrist) == pytest.approx(expected, abs=1.5)


def dull(rgb: np.ndarray) -> np.ndarray:
    """A photo against the light: little contrast."""
    return np.asarray(90 + 0.4 * rgb, np.uint8)


def harsh(rgb: np.ndarray) -> np.ndarray:
    """What some phones make of a photo: sharpened, with a steep tone curve."""
    soft = cv2.GaussianBlur(rgb, (0, 0), 2).astype(float)
    return np.clip(1.5 * (2.0 * rgb - soft) - 60, 0, 255).astype(np.uint8)


def grey(rgb: np.ndarray) -> np.ndarray:
    """Without colour, and recompressed hard."""
    alone = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    packed = cv2.imdecode(cv2.imencode(".jpg", alone, [cv2.IMWRITE_JPEG_QUALITY, 25])[1], cv2.IMREAD_GRAYSCALE)
    return cv2.cvtColor(packed, cv2.COLOR_GRAY2RGB)


LOOKS = {"as it is": lambda rgb: rgb, "dull": dull, "harsh": harsh, "grey": grey}


def told_of(rgb: np.ndarray, true: dict, eye_mm: list[float]) -> ArmDepths:
    """What the network says of a picture with the true joints."""
    points, side = true["points"], true["side"]
    names = [f"{name}_{side}" for name in ("shoulder_joint", "elbow", "wrist", "mid_palm")]
    joints = np.array([points[name]["px"] for name in names])
    ends = np.array([points[names[i]]["mm"] for i in (0, 3)]) - np.array(eye_mm)
    outward = np.sign(joints[3, 0] - joints[0, 0])
    return arm_depths(np.ascontiguousarray(rgb), joints, ends[:, :2] / -ends[:, 2:] * [outward, 1.0])


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS)
@pytest.mark.parametrize(("name", "stance"), [("child-1", 0), ("child-2", 0), ("child-3", 1)])
def test_stance_is_told_on_samples(name, stance, look):
    true = truth(name)
    got = told_of(look(photo(name).rgb), true, true["eye_mm"])
    assert int(np.argmax(got.stance)) == stance
    assert got.bend_deg < 15


def test_a_bent_elbow_is_told_on_a_sample():
    true = truth("child-elbow-bent")
    got = told_of(photo("child-elbow-bent").rgb, true, true["eye_mm"])
    assert got.bend_deg == pytest.approx(true["pose"]["elbow_flexion_deg"], abs=12.0)
    assert got.bend_deg > 15


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS)
def test_stance_is_told_on_scenes(shared, look):
    """On development scenes with the true joints, whatever the camera made of the light."""
    right, angles = [], []
    for kind, expected in (("child_wall", 0), ("child", 1)):
        for folder in sorted((shared / "scenes" / kind).iterdir())[:8]:
            true = json.loads((folder / "truth.json").read_text())
            rgb = cv2.imread(str(folder / true["image"]))[..., ::-1]
            got = told_of(look(np.ascontiguousarray(rgb)), true, true["camera"]["centre_mm"])
            angles.append((got.bend_deg, true["pose"]["elbow_flexion_deg"]))
            if true["quality"] == "good":
                right.append(int(np.argmax(got.stance)) == expected)
    assert np.mean(right) > 0.9
    bend = np.array(angles)
    assert ((bend[:, 0] > 15) == (bend[:, 1] > 15)).all()
