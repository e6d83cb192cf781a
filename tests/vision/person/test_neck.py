"""The neck point: found where it shows, and said to be guessed where it does not."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.person.neck import find_neck, look_at_shoulders
from vision.person.pose import Person, find_people
from vision.photo import Photo, load_photo

SAMPLE = Path(__file__).resolve().parents[3] / "sample_images" / "child-2.jpg"


@pytest.fixture(scope="module")
def photo() -> Photo:
    return load_photo(SAMPLE.read_bytes(), SAMPLE.name)


@pytest.fixture(scope="module")
def person(photo: Photo) -> Person:
    return find_people(photo.rgb)[0]


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
    assert hidden.deviation_px > 1.7 * bare.deviation_px
