"""Fronts and backs: the network's word and the face finder's, weighed together."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vision.person.face import FACE_ON_BACKS, FACE_ON_FRONTS, LEAST_CHANCE, looks_at_camera, seen_from_behind
from vision.person.neck import find_neck, is_reversed, look_at_shoulders
from vision.person.pose import Landmark, Person
from vision.photo import Photo

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
PAIRS = [(Landmark[name], Landmark[f"RIGHT{name[4:]}"]) for name in Landmark.__members__ if name.startswith("LEFT")]


def renamed(person: Person) -> Person:
    """Left called right: as a body model names a person's sides who shows the back, where it names them rightly."""
    points = person.points_px.copy()
    for left, right in PAIRS:
        points[[left, right]] = points[[right, left]]
    return replace(person, points_px=points)


def test_a_front_is_no_back(photo: Photo, person: Person) -> None:
    neck = find_neck(photo.rgb, person, "left", look_at_shoulders(photo.rgb, person))
    assert neck.behind < 0.05
    assert not seen_from_behind(photo.rgb, person, neck.behind)


def test_face_and_network_are_weighed(photo: Photo, person: Person) -> None:
    assert looks_at_camera(photo.rgb, person)
    even_with_face = FACE_ON_FRONTS / (FACE_ON_FRONTS + FACE_ON_BACKS)
    assert seen_from_behind(photo.rgb, person, even_with_face + 0.02)
    assert not seen_from_behind(photo.rgb, person, even_with_face - 0.02)
    nobody = np.full_like(photo.rgb, 128)
    even_without = (1 - FACE_ON_FRONTS) / (2 - FACE_ON_FRONTS - FACE_ON_BACKS)
    assert even_without > LEAST_CHANCE
    assert seen_from_behind(nobody, person, even_without + 0.02)
    assert not seen_from_behind(nobody, person, even_without - 0.02)


def test_the_order_of_the_shoulders_is_read_with_the_head_up(person: Person) -> None:
    assert not is_reversed(person)
    assert is_reversed(renamed(person))
    turned = replace(person, points_px=-person.points_px)  # the picture upside down
    assert not is_reversed(turned)
    assert is_reversed(renamed(turned))


def test_a_neck_is_found_whichever_way_sides_are_named(photo: Photo, person: Person) -> None:
    as_usual, swapped = (
        find_neck(photo.rgb, person, "left", look_at_shoulders(photo.rgb, person)),
        find_neck(photo.rgb, renamed(person), "right", look_at_shoulders(photo.rgb, renamed(person))),
    )
    span = np.linalg.norm(person.point("shoulder", "left") - person.point("shoulder", "right"))
    assert np.linalg.norm(as_usual.px - swapped.px) < 0.02 * span
    assert as_usual.behind == pytest.approx(swapped.behind, abs=0.01)
