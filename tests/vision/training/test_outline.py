"""Where the outline turns from the neck into the shoulder, on a flat bust whose corner is known."""

from __future__ import annotations

import numpy as np
import pytest

from vision.training.figures.bodies import VERTICES, Kinds
from vision.training.figures.outline import neck_corner
from vision.training.figures.posing import Posed, about
from vision.training.figures.trace import View

CORNER = np.array([0.05, 1.0, 0.0])
VIEW = View(np.array([0, 1.0, 2.0]), np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]]), 800.0, (200.0, 200.0), (400, 400))


def bust(beside_m: float = 0.0) -> tuple[Kinds, Posed]:
    """Neck edges of 80 degrees, shoulders of 37 below the level; the named vertices lie `beside_m` further in."""
    up, out = np.radians(80), np.radians(37)
    top = CORNER + 0.12 * np.array([-np.cos(up), np.sin(up), 0])
    tip = CORNER + 0.2 * np.array([np.cos(out), -np.sin(out), 0])
    half = np.array([top, CORNER, tip, [tip[0], 0.7, 0], [0, 0.7, 0], [0, top[1], 0]])
    points = np.tile([0.0, 0.7, 0.0], (max(VERTICES.values()) + 1, 1))
    points[10:16], points[20:26] = half, half * [-1, 1, 1]
    points[VERTICES["side_neck.L"]] = CORNER - [beside_m, 0, 0]
    points[VERTICES["side_neck.R"]] = (CORNER - [beside_m, 0, 0]) * [-1, 1, 1]
    fan = np.array([[4, k, k + 1] for k in (0, 1, 2)] + [[4, 5, 0]])
    bones = ("spine01", "upperarm01.L", "upperarm01.R")
    kinds = Kinds(
        np.concatenate([fan + 10, fan + 20]).astype(np.int32),
        bones,
        (-1, 0, 0),
        np.zeros((len(points), 1), np.int32),
        np.ones((len(points), 1)),
        np.zeros(len(points), bool),
    )
    joints = np.array([[0, 0.9, 0], tip - [0.01, 0.03, 0], (tip - [0.01, 0.03, 0]) * [-1, 1, 1]])
    return kinds, Posed(points, joints, np.tile(np.eye(3), (3, 1, 1)))


@pytest.mark.parametrize("side", ["L", "R"])
def test_the_corner_is_found_though_the_vertex_lies_beside_it(side):
    kinds, posed = bust(0.015)
    found = neck_corner(kinds, posed, VIEW, side, 40.0)
    corner = CORNER * [1 if side == "L" else -1, 1, 1]
    assert found == pytest.approx(VIEW.project(corner[None])[0], abs=0.5)


def test_the_corner_of_a_leaning_trunk_leans_too():
    kinds, posed = bust()
    turn = about((0, 0, 1), 15.0)
    middle = np.array([0, 1.0, 0])
    leaning = Posed(
        (posed.points - middle) @ turn.T + middle, (posed.joints - middle) @ turn.T + middle, turn @ posed.turns
    )
    at = VIEW.project((turn @ (CORNER - middle) + middle)[None])[0]
    assert neck_corner(kinds, leaning, VIEW, "L", 40.0) == pytest.approx(at, abs=0.5)


def test_an_outline_without_a_corner_has_none():
    kinds, posed = bust()
    points = posed.points.copy()
    points[12], points[22] = [0.052, 0.7, 0], [-0.052, 0.7, 0]  # no shoulder: the neck goes straight down
    assert neck_corner(kinds, Posed(points, posed.joints, posed.turns), VIEW, "L", 40.0) is None
