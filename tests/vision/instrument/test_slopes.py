"""The lying instrument's model: its derivatives against differences of itself."""

import numpy as np
import pytest

from vision.instrument.model import (
    BODY_UNKNOWNS,
    DEPTH,
    LENGTH,
    ROLL,
    SHAPE,
    TOTAL,
    WIDTH,
    YAW,
    PoseSlopes,
    X,
    Y,
    outward_normals,
    pose_of,
    slopes_of,
)
from vision.instrument.shape import MODES

PLACES = ("top", "back", "scroll_top", "body_top", "body_bottom")


def unknowns() -> np.ndarray:
    """A small instrument that lies askew, a little tilted, of an unusual shape."""
    values = np.zeros(BODY_UNKNOWNS)
    values[[X, Y, YAW, LENGTH, TOTAL, WIDTH, ROLL, DEPTH]] = 120.0, -40.0, 0.7, 255.0, 431.0, 1.03, 0.02, 0.8
    values[SHAPE] = np.random.default_rng(3).normal(0, 1, MODES)
    return values


def of_place(slopes: PoseSlopes, place: str) -> np.ndarray:
    """Derivatives (..., 3, BODY_UNKNOWNS + 1) of a place, of plates' edges along the three axes of space."""
    if place not in ("top", "back"):
        return np.asarray(getattr(slopes, place))
    nodes = np.arange(len(slopes.unit))
    back = np.full(len(nodes), place == "back")
    return np.stack([slopes.along_directions(np.tile(axis, (len(nodes), 1)), nodes, back) for axis in np.eye(3)], 1)


@pytest.mark.parametrize("column", range(BODY_UNKNOWNS))
def test_slopes_are_differences_of_the_pose(column):
    at, step = unknowns(), np.zeros(BODY_UNKNOWNS)
    step[column] = 1e-5
    ahead, behind = pose_of(at + step, -30.0), pose_of(at - step, -30.0)
    slopes = slopes_of(at, -30.0)
    for place in PLACES:
        expected = (getattr(ahead, place) - getattr(behind, place)) / 2e-5
        # mm per unit; the largest are some 400 mm per radian, differences of 1e-5 are good to 1e-8 of that
        assert np.allclose(of_place(slopes, place)[..., column], expected, atol=1e-5), place


def test_the_shift_moves_edges_along_their_normals():
    at = unknowns()
    ahead, behind = pose_of(at, 0.0, 0.101), pose_of(at, 0.0, 0.099)
    slopes = slopes_of(at, 0.0, 0.1)
    top = of_place(slopes, "top")
    assert np.allclose(top[..., -1], (ahead.top - behind.top) / 0.002, atol=1e-9)
    assert np.allclose(np.linalg.norm(top[..., -1], axis=1), 1.0)
    assert np.abs(slopes.scroll_top[:, -1]).max() == 0.0


def test_what_is_left_out_of_the_slopes_lies_along_the_edge():
    """A mode turns the normals, and a shifted edge then moves along itself only, which no residual sees."""
    at, step = unknowns(), np.zeros(BODY_UNKNOWNS)
    step[SHAPE.start] = 1e-5
    moved = (pose_of(at + step, 0.0, 0.5).top - pose_of(at - step, 0.0, 0.5).top) / 2e-5
    missing = moved - of_place(slopes_of(at, 0.0, 0.5), "top")[..., SHAPE.start]
    pose = pose_of(at, 0.0)
    flat = np.stack([(pose.top - pose.body_bottom) @ pose.across, (pose.top - pose.body_bottom) @ pose.along], axis=1)
    normal = outward_normals(flat)
    across_edge = (missing @ pose.across) * normal[:, 0] + (missing @ pose.along) * normal[:, 1]
    assert np.abs(missing).max() > 1e-3
    assert np.abs(across_edge).max() < 1e-6
