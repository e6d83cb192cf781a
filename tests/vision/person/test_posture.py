"""Chin and shoulder's tip on a sample photo."""

import cv2
import numpy as np

from vision.person.neck import look_at_shoulders
from vision.person.pose import Person
from vision.person.posture import find_posture
from vision.photo import Photo


def test_chin_and_shoulder_are_found_where_they_show(photo: Photo, person: Person) -> None:
    found = find_posture(photo.rgb, person, "left", look_at_shoulders(photo.rgb, person))
    mouth = person.points_px[9:11].mean(axis=0)
    assert found.chin is not None
    assert found.tip is not None
    assert mouth[1] < found.chin.px[1] < found.tip.px[1]
    assert np.linalg.norm(found.tip.px - person.point("shoulder", "right")) < 0.3 * np.linalg.norm(
        person.point("shoulder", "right") - person.point("shoulder", "left")
    )


def test_a_covered_chin_is_not_measured(photo: Photo, person: Person) -> None:
    covered = photo.rgb.copy()
    mouth, eyes = person.points_px[9:11].mean(axis=0), person.points_px[[2, 5]].mean(axis=0)
    centre = (mouth + 0.4 * (mouth - eyes)).round().astype(int)
    cv2.circle(covered, centre.tolist(), int(np.linalg.norm(mouth - eyes)), (30, 60, 190), -1)
    assert find_posture(covered, person, "left", None).chin is None
