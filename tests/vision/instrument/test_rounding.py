"""Where a rounded edge ends for a camera, held against many points of the rounding."""

from __future__ import annotations

import numpy as np
import pytest

from vision.instrument.rounding import edge_radius_mm, seen_of_edge, seen_of_scroll

UP, ALONG = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
FULL_MM = 356.0


def furthest(points: np.ndarray, camera_mm: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """Of points (N, 3) the one that a camera sees furthest in the direction `ahead`, in which it looks across."""
    sight = points - camera_mm
    return points[np.argmax(np.arctan2(sight @ ahead, -sight @ UP))]


@pytest.mark.parametrize("aside_mm", [-700.0, -250.0, 0.0, 250.0, 700.0])
def test_an_edge_ends_where_sight_touches_it(aside_mm):
    line, camera = np.array([[30.0, 150.0, 40.0]]), np.array([30.0, 150.0 + aside_mm, 900.0])
    radius = edge_radius_mm(FULL_MM)
    angles = np.linspace(-np.pi / 2, np.pi / 2, 20001)
    middle = line[0] - radius * ALONG
    circle = middle + radius * (np.cos(angles)[:, None] * ALONG + np.sin(angles)[:, None] * UP)
    seen = line + seen_of_edge(line, ALONG[None], UP, camera, FULL_MM)
    assert seen[0] == pytest.approx(furthest(circle, camera, ALONG), abs=radius * 4e-3)


def test_from_straight_above_the_outermost_line_is_seen():
    line = np.array([[0.0, 100.0, 40.0], [50.0, 0.0, 40.0]])
    outward = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
    for number in range(2):
        camera = line[number] + 800.0 * UP
        assert seen_of_edge(line, outward, UP, camera, FULL_MM)[number] == pytest.approx(0.0, abs=1e-9)
    moved, way_mm = seen_of_scroll(line[0], ALONG, UP, line[0] + 800.0 * UP, FULL_MM)
    assert moved == pytest.approx(0.0, abs=1e-9)
    assert way_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("aside_mm", "turns"), [(-500.0, 0.11), (500.0, 0.0)])
def test_a_scroll_ends_on_its_spiral(aside_mm, turns):
    """A spiral that loses 0.11 of its radius a radian upwards, and nothing downwards."""
    top, camera = np.array([0.0, 590.0, 23.0]), np.array([0.0, 590.0 + aside_mm, 900.0])
    radius = 23.0
    angles = np.linspace(-1.2, 1.2, 20001)
    spiral = radius * (1 - turns * np.maximum(angles, 0.0))
    places = top - radius * ALONG + spiral[:, None] * (np.cos(angles)[:, None] * ALONG + np.sin(angles)[:, None] * UP)
    moved, way_mm = seen_of_scroll(top, ALONG, UP, camera, FULL_MM)
    expected = furthest(places, camera, ALONG)
    sight = (expected - camera) / np.linalg.norm(expected - camera)
    off = top + moved - expected
    assert np.linalg.norm(off - (off @ sight) * sight) < 0.2  # across the line of sight
    tilt = np.arctan2(abs(aside_mm), 877.0)
    assert way_mm == pytest.approx(radius * (1 - np.cos(tilt)), rel=1e-6)
    assert np.linalg.norm(moved) > 2.0
