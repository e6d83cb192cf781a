"""The training pictures' geometry and light, against formulas of geometry and radiometry and scipy's rotations."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from vision.training.figures import bodies, make
from vision.training.figures.meshes import Division, box, clipped, normals, quad, strip, tube
from vision.training.figures.posing import AHEAD_PIT_DEG, Pose, about, angle_about, arms_out, between, straight_out
from vision.training.figures.sequences import Stand, Sway
from vision.training.figures.trace import SKY, Lamp, Surface, View, library, render

needs_compiler = pytest.mark.skipif(shutil.which("g++") is None, reason="the tracer is compiled where it is used")


def ball(radius: float = 1.0, n: int = 48) -> list[np.ndarray]:
    """Rows of points on a sphere."""
    around = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return [
        radius * np.stack([np.sin(a) * np.sin(around), np.full(n, np.cos(a)), np.sin(a) * np.cos(around)], 1)
        for a in np.linspace(1e-3, np.pi - 1e-3, n)
    ]


def areas(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


def test_rotations_are_scipys():
    rng = np.random.default_rng(0)
    for _ in range(20):
        axis, degrees = rng.normal(size=3), rng.uniform(-170, 170)
        unit = axis / np.linalg.norm(axis)
        assert about(axis, degrees) == pytest.approx(Rotation.from_rotvec(np.radians(degrees) * unit).as_matrix())
        a, b = rng.normal(size=(2, 3))
        assert between(a, b) @ a / np.linalg.norm(a) == pytest.approx(b / np.linalg.norm(b))
        across = np.cross(unit, a)
        assert angle_about(across, about(unit, degrees) @ across, unit) == pytest.approx(degrees)


@pytest.mark.parametrize("whole", [True, False])
def test_points_that_clothes_are_fitted_to_are_no_skin(tmp_path, whole):
    """A store of four points of skin and three more; taken for skin, they tear every garment."""
    np.savez(
        tmp_path / "bodies.npz",
        points=np.arange(42, dtype=np.int16).reshape(2, 7, 3),
        heads=np.zeros((2, 1, 3), np.int16),
        ages=np.array([4.0, 9.0]),
        faces=np.array([[0, 1, 2], [1, 2, 3]]),
        bones=np.array(["root"]),
        parents=np.array([-1]),
        bone_of=np.zeros((7, 1), np.int32),
        weight_of=np.ones((7, 1), np.float32),
        inside=np.zeros(7, bool),
    )
    kinds, store = bodies.load(tmp_path / "bodies.npz", whole)
    count = 7 if whole else 4
    assert {len(each) for each in (kinds.bone_of, kinds.weight_of, kinds.inside)} == {count}
    assert [body.points.shape for body in store] == [(count, 3)] * 2
    assert store[1].points[0, 0] == pytest.approx(21 * bodies.UNIT_M)


def test_a_ball_has_a_balls_area_and_normals():
    mesh = strip(ball(), "skin", closed=True)
    assert areas(mesh.points, mesh.faces).sum() == pytest.approx(4 * np.pi, rel=0.01)
    inner = np.abs(mesh.points[:, 1]) < 0.95
    assert np.abs((normals(mesh.points, mesh.faces) * mesh.points).sum(1))[inner].min() > 0.99


def test_dividing_and_cutting_keep_the_area():
    mesh = box((0, 0, 0), (1, 1, 1), "thing", (1, 1, 1))
    divided = Division.of(mesh.faces)
    points = divided(divided(mesh.points)[: len(mesh.points)])
    assert areas(points, divided.faces).sum() == pytest.approx(6.0)
    faces, (kept,) = clipped(divided.faces, 0.3 - points[:, 0], points)
    assert kept[:, 0].max() == pytest.approx(0.3)
    assert areas(kept, faces).sum() == pytest.approx(1 + 4 * 0.3)


def test_a_tube_is_as_thick_as_asked():
    path = np.stack([np.linspace(0, 1, 40), np.zeros(40), np.zeros(40)], 1)
    mesh = tube(path, np.full(40, 0.1), "cover", sides=64)
    assert np.hypot(mesh.points[:, 1], mesh.points[:, 2]) == pytest.approx(0.1)


def looking_along_z(away: float, focal: float, size: int = 16) -> View:
    turn = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]])
    middle = (size - 1) / 2
    return View(np.array([0, 0, away]), turn, focal, (middle, middle), (size, size))


@needs_compiler
def test_a_ball_in_a_white_furnace_shows_its_own_colour():
    """Under even light from everywhere a convex matt body's radiance is its reflectance times the light's."""
    mesh = strip(ball(), "skin", closed=True)
    colour = (0.5, 0.25, 0.8)
    image, labels, _ = render(
        [mesh], {"skin": Surface(colour)}, [], np.ones((*SKY, 3)), looking_along_z(6.0, 30.0), 4000, 1
    )
    assert (labels[6:10, 6:10] == 0).all()
    assert image[6:10, 6:10].reshape(-1, 3).mean(0) == pytest.approx(colour, rel=0.02)


@needs_compiler
def test_a_lamp_lights_a_wall_by_the_form_factor():
    """Radiance = reflectance x lamp's radiance x form factor of a disc-like square to a point on its axis.

    Square of half side a at distance d (Howell, catalogue of configuration factors, B-3 fourfold):
    F = 4 / (2 pi) x 2 A / sqrt(1 + A**2) x arctan(A / sqrt(1 + A**2)), A = a / d.
    """
    wall = quad([[-5, -5, 0], [5, -5, 0], [5, 5, 0], [-5, 5, 0]], "wall")
    a, d = 0.5, 1.0
    lamp = Lamp(np.array([0, 0, d]), np.array([0, a, 0]), np.array([a, 0, 0]), np.full(3, 7.0))
    view = looking_along_z(0.9, 400.0)
    image, _, range_m = render([wall], {"wall": Surface((0.6,) * 3)}, [lamp], np.zeros((*SKY, 3)), view, 800, 2, 0)
    ratio = a / d
    root = np.sqrt(1 + ratio**2)
    factor = 4 / (2 * np.pi) * 2 * ratio / root * np.arctan(ratio / root)
    assert image.mean() == pytest.approx(0.6 * 7.0 * factor, rel=0.03)
    assert np.allclose(range_m, 0.9, atol=0.01)


@needs_compiler
def test_what_stands_between_lamp_and_wall_throws_a_shadow():
    wall = quad([[-5, -5, 0], [5, -5, 0], [5, 5, 0], [-5, 5, 0]], "wall")
    lamp = Lamp(np.array([0, 0, 2.0]), np.array([0, 0.05, 0]), np.array([0.05, 0, 0]), np.full(3, 50.0))
    board = box((-0.2, -0.2, 1.0), (0.2, 0.2, 1.1), "thing", (0.5, 0.5, 0.5))
    surfaces = {"wall": Surface((0.6,) * 3), "thing": Surface()}
    view = View(np.array([0, 0, 0.5]), np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]]), 4.0, (7.5, 7.5), (16, 16))
    shaded, *_ = render([wall, board], surfaces, [lamp], np.zeros((*SKY, 3)), view, 50, 3, 0)
    lit, *_ = render([wall], surfaces, [lamp], np.zeros((*SKY, 3)), view, 50, 3, 0)
    assert shaded[7:9, 7:9].max() == 0.0
    assert lit[7:9, 7:9].min() > 0.0
    assert shaded[0, 0] == pytest.approx(lit[0, 0], rel=0.3)


@needs_compiler
def test_the_tracer_leaves_the_smallest_numbers_alone() -> None:
    library()  # IEEE 754: what is below the least normal number is a number, too
    assert np.nextafter(0.0, 1.0) > 0.0


def test_arms_of_a_good_photo_and_the_pose_in_which_one_is_measured() -> None:
    for side, other in ("LR", "RL"):
        arms = arms_out(np.random.default_rng(5), side)
        assert abs(arms[side].up) <= 9
        assert arms[side].flex <= 6
        assert -82 <= arms[other].up <= -72
        assert arms[other].palm[0] == (-1.0 if side == "R" else 1.0)  # towards the thigh
        measured = straight_out(Pose(12.0, 3.0, 4.0, (30.0, 5.0, 1.0), arms, 2.0), side)
        assert (measured.turn, measured.twist, measured.lean, measured.head, measured.shrug) == (0, 0, 0, (0, 0, 0), 0)
        assert (measured.arms[side].up, measured.arms[side].flex, measured.arms[side].straight) == (0, 0, 1)
        assert measured.arms[other] == arms[other]


def test_an_arm_is_taken_off_the_wall_again_where_it_is_to_be_near_it_or_bent():
    rng = np.random.default_rng(6)
    pose = Pose(2.0, 0.0, 1.0, (5.0, 3.0, -2.0), arms_out(rng, "L"))
    lying = pose.arms["L"]
    for stance, flexed in (("near", False), ("bent", True)):
        what = make.Drawn(None, pose, "L", False, False, make.Off.drawn(rng, stance))
        off = what.taken_off(pose).arms["L"]
        assert what.at_wall
        assert what.taken_off(pose).arms["R"] == pose.arms["R"]
        assert (off.up, off.palm) == (lying.up, lying.palm)
        if flexed:
            assert make.BENT_DEG[0] <= off.flex <= make.BENT_DEG[1]
            assert AHEAD_PIT_DEG[0] <= off.pit <= AHEAD_PIT_DEG[1]
        else:
            assert make.NEAR_DEG[0] <= off.forward - lying.forward <= make.NEAR_DEG[1]
            assert (off.flex, off.pit) == (lying.flex, lying.pit)
    for stance in ("wall", "floating", "reaching"):
        left = make.Drawn(None, pose, "L", stance == "wall", False, make.Off.drawn(rng, stance))
        assert left.taken_off(pose) == pose
        assert left.at_wall == (stance == "wall")
    assert sum(make.STANCES.values()) == pytest.approx(1)


@pytest.mark.parametrize("by", [-0.4, 0.0, 0.3])
def test_who_steps_aside_keeps_looking_at_the_same_point(by):
    aim, wander = np.array([0.2, 1.1, 0.0]), np.array([4.0, -3.0])
    stand = Stand(np.array([0.1, 1.0, 1.8]), aim, np.zeros(3), 26.0, wander).aside(by)
    view = stand.view((1600, 1200))
    assert view.place == pytest.approx([0.1 + by, 1.0, 1.8])
    assert view.project(aim[None])[0] == pytest.approx(np.array([799.5, 599.5]) + wander)
    assert view.focal == pytest.approx(26.0 / np.hypot(36, 24) * np.hypot(1600, 1200), rel=1e-4)


def test_sway_moves_trunk_head_and_the_outstretched_arm_alone():
    rng = np.random.default_rng(4)
    pose = Pose(2.0, 0.0, 1.0, (5.0, 3.0, -2.0), arms_out(rng, "L"))
    swayed = Sway(0.01, 0.0, 0.8, -0.5, 1.0, -0.7, -90.0, (1.0, 2.0, 3.0)).of(pose, "L")
    was, arm = pose.arms["L"], swayed.arms["L"]
    assert (swayed.turn, swayed.lean, swayed.head) == (2.8, 0.5, (6.0, 5.0, 1.0))
    assert (arm.up - was.up, arm.forward - was.forward) == pytest.approx((1.0, -0.7))
    assert arm.flex == 0.0  # an elbow is never bent backwards
    assert swayed.arms["R"] == pose.arms["R"]
