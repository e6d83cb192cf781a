"""Neck and shoulder from the arm's photo: by hand before made-up cameras."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.print_scale import PrintScale
from tests.vision.arm.made_up import camera
from tests.vision.arm.made_up_views import camera_at
from vision.arm import priors as priors
from vision.arm.body import SeenBody
from vision.arm.estimator import Solution
from vision.arm.mixture import Mixture
from vision.arm.posture import CHIN_BEFORE_NECK_MM, HEAD_HELD_MM, posture_lengths
from vision.person.neck import NeckPoint
from vision.person.posture import PosturePoint, SeenPosture

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


class Tilted:
    """A child before a tilted camera whose sheet hangs sideways; chin, neck and tip as unsure as no other, each way."""

    turn = QUARTER
    depth_mm = (110.0, 150.0)
    shares = np.array([0.25, 0.75])

    def __init__(self):
        self.deviation_px = {"chin": (2.0, 3.0), "neck": (4.0, 5.0), "tip": (6.0, 7.0)}  # across, along
        self.view = camera_at((60.0, 90.0, 1700.0), (12.0, -9.0, 4.0))
        self.view = replace(self.view, sheets=camera().sheets)
        self.middle_mm = float(self.shares @ self.depth_mm)

    def places(self):
        """Where each lies in the sheet's frame, mm."""
        depth = self.middle_mm
        each = {"chin": (CHIN, depth + 80.0), "neck": (NECK, depth), "tip": (TIP, depth)}
        return {name: self.turn @ [*place, at] for name, (place, at) in each.items()}

    def px(self):
        return {name: self.view.project(place[None])[0] for name, place in self.places().items()}

    def found(self, prints):
        points = [
            PosturePoint(px, across_px=self.deviation_px[name][0], along_px=self.deviation_px[name][1])
            for name, px in self.px().items()
        ]
        posture = SeenPosture(chin=points[0], neck=points[1], tip=points[2])
        neck = NeckPoint(np.zeros(2), 1.0, True)
        body = SeenBody(self.view, "left", np.zeros((33, 2)), np.ones(33), neck, None, posture)
        solutions = []
        for depth in self.depth_mm:
            joints = np.full((5, 3), 777.0)
            joints[0, 2] = depth
            solutions.append(Solution(priors.WALL, joints, 0.0, {}))
        return posture_lengths(body, self.turn, Mixture(tuple(solutions), self.shares), prints)

    def xy(self, name, deeper_mm=0.0):
        """Across the trunk and up, of what is seen, if it is so much deeper: by the line of sight, as two points."""
        px, usual = self.px()[name], self.middle_mm + (80.0 if name == "chin" else 0.0)
        eye, near = self.view.position_mm, self.view.to_plane(px[None], 0.0)[0]
        share = (usual + deeper_mm) / eye[2]
        return (self.turn.T @ (near + share * (eye - near)))[:2]

    def pixel_mm(self, name):
        """How far what is a pixel to the right of it lies, at its own depth."""
        depth = self.middle_mm + (80.0 if name == "chin" else 0.0)
        pair = self.px()[name] + np.array([[0.0, 0.0], [1.0, 0.0]])
        return float(np.linalg.norm(np.diff(self.view.to_plane(pair, depth), axis=0)))


@pytest.mark.parametrize(
    ("length", "point", "axis", "value_mm", "own_mm"),
    [
        ("neck_length", "chin", 1, 78.0, 20.0),
        ("shoulder_fall", "neck", 1, 56.0, 0.0),
        ("shoulder_run", "neck", 0, 90.0, 0.0),
    ],
)
def test_every_part_of_a_budget_by_hand(length, point, axis, value_mm, own_mm):
    """Depths as stated: 30 mm of the neck, which all share; 20 mm of the chin's and 25 of the tip's own."""
    child = Tilted()
    found = child.found({"a4-1": PrintScale(1.0, 0.01)})[length]
    assert found.value_mm == pytest.approx(value_mm, abs=1e-6)
    parts = {part.source: part.contribution_mm for part in found.budget}
    (printed,) = [part.source for part in found.budget if part.key]

    def slope(name):
        return (child.xy(name, 0.5) - child.xy(name, -0.5))[axis]

    assert parts == {
        "chin" if point == "chin" else "neck point": pytest.approx(
            child.deviation_px[point][axis] * child.pixel_mm(point), rel=1e-6
        ),
        "the shoulder's tip": pytest.approx(child.deviation_px["tip"][axis] * child.pixel_mm("tip"), rel=1e-6),
        "depth of the neck": pytest.approx(30.0 * (slope(point) - slope("tip")), rel=1e-6),
        "depth of chin and shoulder": pytest.approx(np.hypot(own_mm * slope(point), 25.0 * slope("tip")), rel=1e-6),
        printed: pytest.approx(0.01 * value_mm, rel=1e-6),
        **({"how the head is held": 8.0} if point == "chin" else {}),
    }


def test_a_point_on_the_wrong_side_is_a_misreading_upwards_only():
    """A neck below the shoulder's tip or a chin below it is none; to which side the tip lies does not matter."""
    above, left, low = (lengths_of(tip) for tip in ((150.0, 40.0), (-40.0, -56.0), (150.0, 10.0)))
    assert above["shoulder_fall"] is None
    assert above["neck_length"] is None
    assert left["shoulder_run"].value_mm == pytest.approx(100.0, abs=0.1)
    assert low["neck_length"] is None  # 12 mm: less than half of what children have


@pytest.mark.parametrize(
    ("name", "tip", "told"),
    [
        ("neck_length", (150.0, 22.0 - 14.5), False),
        ("neck_length", (150.0, 22.0 - 15.5), True),
        ("neck_length", (150.0, 22.0 - 159.5), True),
        ("neck_length", (150.0, 22.0 - 160.5), False),
        ("shoulder_fall", (150.0, -4.5), False),
        ("shoulder_fall", (150.0, -5.5), True),
        ("shoulder_fall", (150.0, -139.5), True),
        ("shoulder_fall", (150.0, -140.5), False),
        ("shoulder_run", (60.0 + 29.5, -56.0), False),
        ("shoulder_run", (60.0 + 30.5, -56.0), True),
        ("shoulder_run", (60.0 - 199.5, -56.0), True),
        ("shoulder_run", (60.0 + 200.5, -56.0), False),
    ],
)
def test_what_can_only_be_misread_is_not_told(name, tip, told):
    assert (lengths_of(tip)[name] is not None) == told


def lengths_of(tip):
    """Lengths where the shoulder's tip stands somewhere else."""
    view = camera()
    at = {"chin": (*CHIN, DEPTH_MM + 80.0), "neck": (*NECK, DEPTH_MM), "tip": (*tip, DEPTH_MM)}
    seen = [PosturePoint(view.project(np.array([place]))[0], 3.0, 3.0) for place in at.values()]
    body = SeenBody(
        view, "left", np.zeros((33, 2)), np.ones(33), NeckPoint(np.zeros(2), 1.0, True), None, SeenPosture(*seen)
    )
    points = np.zeros((5, 3))
    points[0, 2] = DEPTH_MM
    return posture_lengths(body, np.eye(3), Mixture((Solution(priors.WALL, points, 0.0, {}),), np.array([1.0])), {})


def test_nothing_is_measured_where_nobody_looked():
    body = SeenBody(camera(), "left", np.zeros((33, 2)), np.ones(33), NeckPoint(np.zeros(2), 1.0, True), None)
    mixture = Mixture((Solution(priors.WALL, np.zeros((5, 3)), 0.0, {}),), np.array([1.0]))
    none = {"neck_length": None, "shoulder_fall": None, "shoulder_run": None}
    assert posture_lengths(body, np.eye(3), mixture, {}) == none
