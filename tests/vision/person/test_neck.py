"""The neck point: found where it shows, and said to be guessed where it does not."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision.networks.points import MapPoint
from vision.person.neck import OUTLINE_FROM_DEG, TURNED_HEAD, find_neck, from_shoulders, look_at_shoulders
from vision.person.neck_net import NeckMap, Turn
from vision.person.pose import Landmark, Person
from vision.person.silhouette import shoulder_span_px, side_axes
from vision.photo import Photo


def test_a_bare_neck_is_seen(photo: Photo, person: Person) -> None:
    neck = find_neck(photo.rgb, person, "left", look_at_shoulders(photo.rgb, person))
    shoulder, nose = person.point("shoulder", "left"), person.points_px[0]
    assert neck.seen
    assert nose[0] < neck.px[0] < shoulder[0]  # between the face and the shoulder of the child's left
    assert nose[1] < neck.px[1] < shoulder[1]
    assert neck.deviation_px < 0.05 * np.linalg.norm(shoulder - person.point("shoulder", "right"))


def test_a_scarf_makes_the_point_a_guess(photo: Photo, person: Person) -> None:
    bare = find_neck(photo.rgb, person, "left", look_at_shoulders(photo.rgb, person))
    covered = photo.rgb.copy()
    shoulders = (person.point("shoulder", "left") + person.point("shoulder", "right")) / 2
    centre = (0.55 * shoulders + 0.45 * person.points_px[0]).round().astype(int)
    width = int(np.linalg.norm(person.point("shoulder", "left") - person.point("shoulder", "right")))
    cv2.ellipse(covered, centre.tolist(), (width // 3, width // 5), 0, 0, 360, (30, 60, 190), -1)
    hidden = find_neck(covered, person, "left", look_at_shoulders(covered, person))
    assert not hidden.seen
    assert hidden.deviation_px > 1.3 * bare.deviation_px


@pytest.mark.parametrize(("aside", "moves"), [(0.05, False), (-0.05, False), (0.25, False), (-0.25, True)])
def test_where_the_head_looks_away_the_neck_lies_further_out_and_down(photo, person, aside, moves):
    """The nose so far out along the left arm from the ears' middle, over the shoulders' distance."""
    straight, span = turned(person, 0.0), shoulder_span_px(person)
    seen = look_at_shoulders(photo.rgb, person)
    before, after = (find_neck(photo.rgb, each, "left", seen) for each in (straight, turned(person, aside)))
    out, up = side_axes(person, "left")
    step = (after.px - before.px) / span
    assert (step @ out > 0.02, step @ up < -0.03) == (moves, moves)
    assert moves or after.px == pytest.approx(before.px)
    assert (after.deviation_px > before.deviation_px) == (abs(aside) > TURNED_HEAD)


def turned(person: Person, aside: float) -> Person:
    """The same person with the nose there, and nothing else changed."""
    points = person.points_px.copy()
    ears = points[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]].mean(axis=0)
    points[Landmark.NOSE] = ears + aside * shoulder_span_px(person) * side_axes(person, "left")[0]
    return replace(person, points_px=points)


def told(turn_deg: float, confidence: float = 0.9) -> NeckMap:
    """What a network says that finds the body's point at (100, 50) and the outline's at (120, 40)."""
    points = {"left": MapPoint(100.0, 50.0, 1.0, 0.9), "outline_left": MapPoint(120.0, 40.0, 1.0, confidence)}
    return NeckMap(points, {"left": 0.1, "right": 0.1}, 0.0, Turn(turn_deg, 3.0))


@pytest.mark.parametrize(
    ("turn_deg", "expected"),
    [(0.0, (100, 50)), (0.5 * OUTLINE_FROM_DEG, (110, 45)), (-OUTLINE_FROM_DEG, (120, 40)), (60.0, (120, 40))],
)
def test_the_further_a_trunk_is_turned_the_more_the_outline_counts(photo, person, turn_deg, expected):
    found = find_neck(photo.rgb, replace(person, mask=None), "left", told(turn_deg))
    assert found.px == pytest.approx(expected)


@pytest.mark.parametrize(("turn_deg", "size", "asked"), [(0.0, 1.0, False), (30.0, 1.0, True), (0.0, 0.25, True)])
def test_the_outline_is_asked_in_small_pictures_and_of_turned_trunks(photo, person, turn_deg, size, asked):
    """A network that puts the neck too far in: the outline's corner draws it out where it counts."""
    small = cv2.resize(photo.rgb, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
    person = replace(
        person,
        points_px=size * person.points_px,
        mask=cv2.resize(person.mask, small.shape[1::-1], interpolation=cv2.INTER_AREA),
    )
    seen = look_at_shoulders(small, person)
    inwards = 0.06 * shoulder_span_px(person) * side_axes(person, "left")[0]
    points = {
        name: replace(point, x=point.x - inwards[0], y=point.y - inwards[1]) for name, point in seen.points.items()
    }
    told = replace(seen, points=points, seen=dict.fromkeys(seen.seen, 0.0), turn=Turn(turn_deg, 3.0))
    place = np.array([getattr(points["outline_left" if turn_deg else "left"], axis) for axis in "xy"])
    drawn = float((find_neck(small, person, "left", told).px - place) @ inwards) / float(inwards @ inwards)
    assert (drawn > 0.2) is asked, drawn


def test_a_network_that_is_unsure_of_either_point_is_not_asked(photo, person):
    found = find_neck(photo.rgb, replace(person, mask=None), "left", told(0.0, confidence=0.2))
    assert found.px == pytest.approx(from_shoulders(person, "left").px)
