"""Which of the two plates' lines bounds the body in a photo."""

import numpy as np
import pytest

from tests.vision.instrument.made_up import EVERY_NODE, camera, instrument
from vision.instrument.model import outward_normals, pose_of
from vision.instrument.shape import MODES, outline_prior
from vision.instrument.silhouette import silhouette


def test_far_side_shows_the_top_plate_and_near_side_the_back():
    unknowns = instrument(X=250.0, Y=-150.0, YAW=0.0)
    line = silhouette(pose_of(unknowns, 0.0), camera(), EVERY_NODE)
    x = outline_prior().closed(np.zeros(MODES), 1.0)[line.node, 0]
    lower_bout = np.abs(x) > 0.25
    # the camera is above x = 0, to the left of this instrument
    assert line.back[lower_bout & (x < 0)].all()
    assert not line.back[lower_bout & (x > 0)].any()


def outside(points, line):
    """Which points (N, 2) lie outside a closed line (C, 2): a ray to the right crosses it an even number of times."""
    a, b = line[None], np.roll(line, -1, axis=0)[None]
    x, y = points[:, None, 0], points[:, None, 1]
    spans = (a[..., 1] > y) != (b[..., 1] > y)
    rise = np.where(b[..., 1] == a[..., 1], 1.0, b[..., 1] - a[..., 1])
    crossing = a[..., 0] + (y - a[..., 1]) / rise * (b[..., 0] - a[..., 0])
    return (spans & (crossing > x)).sum(axis=1) % 2 == 0


def apart(points, line):
    """Distance of points (N, 2) from a closed line (C, 2), by its nodes and nine points between each two."""
    steps = np.roll(line, -1, axis=0) - line
    dense = (line[:, None] + np.linspace(0, 1, 10, endpoint=False)[None, :, None] * steps[:, None]).reshape(-1, 2)
    return np.linalg.norm(points[:, None] - dense[None], axis=2).min(axis=1)


@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (15.0, -10.0), (-12.0, 20.0)])
def test_a_node_is_seen_where_the_other_plate_does_not_cover_it(tilt_deg):
    pose, view = pose_of(instrument(), 0.0), camera(tilt_deg)
    line = silhouette(pose, view, EVERY_NODE)
    lines = view.project(pose.top), view.project(pose.back)
    for back in (False, True):
        mine, other = lines[back], lines[not back]
        seen = np.zeros(len(mine), dtype=bool)
        seen[line.node[line.back == back]] = True
        clear = apart(mine, other) > 0.5  # nearer than 0.3 px a node counts as lying on the other line
        assert (seen == outside(mine, other))[clear].all()
        assert clear.sum() > 300
        assert 10 < seen[clear].sum() < clear.sum()


def test_points_lie_on_their_lines_and_normals_point_away_from_the_body():
    pose, view = pose_of(instrument(), 0.0), camera((10.0, 5.0))
    line = silhouette(pose, view, EVERY_NODE)
    lines = view.project(pose.top), view.project(pose.back)
    middle = lines[0].mean(axis=0)
    for back in (False, True):
        chosen = line.back == back
        assert line.point_px[chosen] == pytest.approx(lines[back][line.node[chosen]])
    assert np.linalg.norm(line.normal_px, axis=1) == pytest.approx(1.0)
    widest = np.abs(outline_prior().closed(np.zeros(MODES), 1.0)[line.node, 0]) > 0.25
    away = ((line.point_px - middle) * line.normal_px).sum(axis=1)
    assert (away[widest] > 0).all()


def test_only_usable_nodes_are_given():
    usable = EVERY_NODE.copy()
    usable[50:] = False
    line = silhouette(pose_of(instrument(), 0.0), camera(), usable)
    assert line.node.max() < 50


def test_normals_of_a_circle_are_its_radii():
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    assert outward_normals(7.0 * circle) == pytest.approx(circle)
