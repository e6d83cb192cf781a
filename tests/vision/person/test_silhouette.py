"""The corner of a drawn figure's outline, where neck and shoulder meet."""

import cv2
import numpy as np
import pytest

from vision.person.pose import Landmark, Person
from vision.person.silhouette import TORSO_TO_SHOULDERS, shoulder_span_px, silhouette_corner

CORNERS = {"left": np.array([330.0, 200.0]), "right": np.array([270.0, 200.0])}


def figure(hair: bool = False) -> Person:
    """Head, neck of 60 px and sloping shoulders; landmarks 160 px apart; the map half as large as the picture."""
    mask = np.zeros((600, 600), np.uint8)
    cv2.circle(mask, (300, 110), 55, 1, -1)
    trunk = [[270, 120], [330, 120], [330, 200], [390, 225], [390, 500], [210, 500], [210, 225], [270, 200]]
    cv2.fillPoly(mask, [np.array(trunk, np.int32)], 1)
    if hair:
        cv2.rectangle(mask, (300, 80), (365, 260), 1, -1)
    points = np.zeros((33, 2))
    for name, place in (
        ("LEFT_SHOULDER", (380, 240)),
        ("RIGHT_SHOULDER", (220, 240)),
        ("LEFT_EAR", (340, 110)),
        ("RIGHT_EAR", (260, 110)),
        ("LEFT_HIP", (350, 500)),
        ("RIGHT_HIP", (250, 500)),
    ):
        points[Landmark[name]] = place
    small = cv2.resize(mask.astype(np.float32), (300, 300), interpolation=cv2.INTER_AREA)
    return Person(points, np.ones(33), small)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_corner_is_where_neck_and_shoulder_meet(side):
    corner = silhouette_corner(figure(), 600, side)
    assert np.linalg.norm(corner - CORNERS[side]) < 4.0


def test_hair_puts_it_further_out():
    person = figure(hair=True)
    assert silhouette_corner(person, 600, "left")[0] > CORNERS["left"][0] + 25.0
    assert np.linalg.norm(silhouette_corner(person, 600, "right") - CORNERS["right"]) < 4.0


def test_without_an_outline_there_is_no_corner():
    person = figure()
    assert silhouette_corner(Person(person.points_px, person.visibility), 600, "left") is None
    assert silhouette_corner(Person(person.points_px, person.visibility, 0 * person.mask), 600, "left") is None


def test_an_outline_that_runs_elsewhere_altogether_has_no_corner():
    person = figure()
    assert (
        silhouette_corner(Person(person.points_px, person.visibility, np.ones_like(person.mask)), 600, "left") is None
    )


def test_a_person_turned_aside_is_as_large_as_the_trunk_says():
    person = figure()
    points = person.points_px.copy()
    points[Landmark.RIGHT_SHOULDER] = (360, 240)
    turned = Person(points, person.visibility, person.mask)
    assert shoulder_span_px(turned) == pytest.approx(TORSO_TO_SHOULDERS * turned.torso_px)
