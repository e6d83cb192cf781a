"""Where the instrument's parts lie in space, against turns and tilts written down anew."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.vision.instrument.made_up import instrument
from vision.instrument.model import LENGTH, LOW, NECK, ROLL, SCROLL, SHAPE, TOTAL, WIDTH, YAW, X, Y, pose_of
from vision.instrument.resting import plate_distance_mm, resting_heights_mm
from vision.instrument.shape import outline_prior

TURNED = {"YAW": 0.7, "ROLL": 0.03, "LOW": 2.0, "NECK": -3.0, "SCROLL": 1.5, "DEPTH": 1.2, "X": 31.0, "Y": -12.0}
TABLE_MM = -28.0


def placed(unknowns: np.ndarray, table_mm: float):
    """Turn, tilt and roll as rotations about the axes, one after the other; the lower end."""
    low, neck, scroll = table_mm + resting_heights_mm(unknowns[LENGTH]) + unknowns[[LOW, NECK, SCROLL]]
    pitch = np.arcsin((neck - low) / unknowns[LENGTH])
    # the body's x to its right, y to the scroll, z out of its top
    turn = Rotation.from_euler("ZXY", [unknowns[YAW], pitch, -unknowns[ROLL]]).as_matrix()
    return turn, np.array([unknowns[X], unknowns[Y], low]), scroll


def test_the_outline_lies_where_turn_tilt_and_roll_put_it():
    unknowns = instrument(**TURNED)
    pose = pose_of(unknowns, TABLE_MM)
    turn, bottom, scroll = placed(unknowns, TABLE_MM)
    flat = unknowns[LENGTH] * outline_prior().closed(unknowns[SHAPE], unknowns[WIDTH])
    top = bottom + np.column_stack([flat, np.zeros(len(flat))]) @ turn.T
    assert pose.top == pytest.approx(top)
    assert np.array([pose.across, pose.along, pose.up]) == pytest.approx(turn.T)
    depth = plate_distance_mm(300.0) + 1.2
    assert pose.back == pytest.approx(top - depth * turn[:, 2])
    assert pose.body_bottom == pytest.approx(bottom)
    assert pose.body_top == pytest.approx(bottom + 300.0 * turn[:, 1])
    # the scroll's end: on the axis' normal plane at the total length, at its own height
    assert pose.scroll_top[2] == pytest.approx(scroll)
    assert (pose.scroll_top - bottom) @ turn[:, 1] == pytest.approx(unknowns[TOTAL])
    assert (pose.scroll_top - bottom) @ turn[:, 0] == pytest.approx(0.0, abs=1e-9)


def test_ends_stand_at_their_resting_heights():
    unknowns = instrument()
    pose = pose_of(unknowns, TABLE_MM)
    low, neck, scroll = TABLE_MM + resting_heights_mm(300.0)
    assert [pose.body_bottom[2], pose.body_top[2], pose.scroll_top[2]] == pytest.approx([low, neck, scroll])


def test_points_on_the_instrument_are_given_in_its_own_axes():
    pose = pose_of(instrument(**TURNED), 0.0)
    place = pose.at(10.0, 20.0, 30.0) - pose.body_bottom
    assert [place @ pose.across, place @ pose.along, place @ pose.up] == pytest.approx([10.0, 20.0, 30.0])


def test_a_shift_of_the_edges_moves_them_outward_and_leaves_the_ends():
    still, moved = pose_of(instrument(), 0.0), pose_of(instrument(), 0.0, edge_shift_mm=0.5)
    step = moved.top - still.top
    assert np.linalg.norm(step, axis=1) == pytest.approx(0.5)
    assert ((still.top - still.top.mean(axis=0)) * step).sum(axis=1).mean() > 0
    assert moved.body_top == pytest.approx(still.body_top)
    assert moved.scroll_top == pytest.approx(still.scroll_top)
    # the lower bout is twice the shift broader
    assert np.ptp(moved.top @ still.across) - np.ptp(still.top @ still.across) == pytest.approx(1.0, abs=0.01)


def test_depth_is_the_distance_of_the_two_lines():
    pose = pose_of(instrument(DEPTH=1.0), 0.0)
    assert np.linalg.norm(pose.top - pose.back, axis=1) == pytest.approx(plate_distance_mm(300.0) + 1.0)
