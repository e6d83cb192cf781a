"""The neck point: found where it shows, and said to be guessed where it does not."""

import cv2
import numpy as np

from vision.person.neck import find_neck, look_at_shoulders
from vision.person.pose import Person
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
    assert hidden.deviation_px > 1.7 * bare.deviation_px
