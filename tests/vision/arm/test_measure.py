"""The whole way from a photo to an arm length, and what refuses a photo."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.accuracy.scenes import scenes
from vision.arm.judge import turned_probability
from vision.arm.measure import measure_arm, solve_arm
from vision.arm.overlay import blur_face, draw_arm
from vision.arm.seen import see_arm
from vision.person.pose import Landmark
from vision.photo import Photo, load_photo
from vision.quality import quality

WALL_SCENE = 11
"""A scene used in development, of a hand against the wall."""


@pytest.fixture(scope="module")
def scene(shared):
    folder = shared / "scenes"
    return next(one for number, one in enumerate(scenes(folder, "child_wall")) if number == WALL_SCENE)


@pytest.fixture(scope="module")
def photo(scene) -> Photo:
    return load_photo(scene.photo)


@pytest.fixture(scope="module")
def seen(photo):
    return see_arm(photo)


@pytest.fixture(scope="module")
def measured(photo):
    return measure_arm(photo)


def codes(measurement) -> set[str]:
    return {problem.code for problem in measurement.problems}


def test_length_with_an_interval_that_holds_the_truth(scene, measured):
    truth = scene.truth["arm_length_mm"]
    length = measured.arm_length
    assert measured.usable
    assert measured.side == {"L": "left", "R": "right"}[scene.truth["side"]]
    assert abs(length.value_mm - truth) < 10.0
    assert length.low_mm < truth < length.high_mm
    assert measured.wall_probability > 0.9
    assert any(part.key == "print-scale:a4-1" for part in length.budget)


def test_lengths_lie_in_their_order(measured):
    assert (
        measured.hand_length.value_mm
        < measured.neck_to_wrist.value_mm
        < measured.arm_length.value_mm
        < measured.neck_to_fingertip.value_mm
    )
    assert measured.shoulder_to_palm.value_mm < measured.arm_length.value_mm < measured.spine_to_palm.value_mm


def test_corrected_points_move_the_length(seen):
    before = solve_arm(seen)
    x, y = before.points_px["mid_palm"]
    outward = np.sign(x - before.points_px["side_neck"][0])
    after = solve_arm(seen, corrections={"mid_palm": (x + 40 * outward, y)})
    assert after.arm_length.value_mm > before.arm_length.value_mm + 5.0
    assert any("placed by hand" in part.source for part in after.arm_length.budget)


def test_a_wrong_claim_moves_the_length_out(seen):
    assert solve_arm(seen, against_wall=False).arm_length.value_mm < solve_arm(seen).arm_length.value_mm - 8.0


def test_nobody_and_no_sheet():
    nothing = Photo("wall", np.full((900, 1200, 3), 200, np.uint8))
    found = measure_arm(nothing)
    assert not found.usable
    assert found.arm_length is None
    assert codes(found) == {"no_sheet", "no_person"}


def test_dark_and_blurred_photos_are_refused(photo):
    dark = replace(photo, rgb=(photo.rgb * 0.10).astype(np.uint8))
    assert not measure_arm(dark).usable
    moved = np.zeros((1, 61), np.float32)
    moved[:] = 1 / 61
    assert not measure_arm(replace(photo, rgb=cv2.filter2D(photo.rgb, -1, moved))).usable


def test_selfie_and_second_person_are_refused(photo, seen):
    assert "selfie_lens" in codes(measure_arm(replace(photo, front_lens=True)))
    twice = np.hstack([photo.rgb, photo.rgb])
    assert not measure_arm(replace(photo, rgb=twice)).usable


def test_a_bent_elbow_is_refused_by_a_correction_that_bends_it(seen):
    points = solve_arm(seen).points_px
    x, y = points["elbow"]
    bent = solve_arm(seen, corrections={"elbow": (x, y + 60)})
    assert "elbow_bent" in codes(bent)
    assert bent.arm_length is None


def test_overlay_blurs_the_face_and_marks_the_points(photo, measured):
    picture = draw_arm(photo, measured)
    height, width = photo.rgb.shape[:2]
    assert picture.shape[1] == width
    assert picture.shape[0] > height
    x, y, radius = measured.faces_px[0]
    face = np.s_[int(y - 0.3 * radius) : int(y + 0.3 * radius), int(x - 0.3 * radius) : int(x + 0.3 * radius)]

    def detail(rgb):
        return float(np.abs(cv2.Laplacian(cv2.cvtColor(rgb[face], cv2.COLOR_RGB2GRAY), cv2.CV_64F)).mean())

    assert detail(blur_face(photo, measured)) < 0.5 * detail(photo.rgb)
    place = tuple(round(v) for v in reversed(measured.points_px["mid_palm"]))
    assert not np.array_equal(picture[place], photo.rgb[place])


def test_refused_photo_is_drawn_too(photo):
    nothing = Photo("wall", np.full((900, 1200, 3), 200, np.uint8))
    assert draw_arm(nothing, measure_arm(nothing)).shape[1] == 1200


def test_edges_widen_with_blur(photo, measured):
    ends = np.array([measured.points_px["shoulder"], measured.points_px["mid_palm"]])
    low, high = ends.min(axis=0) - 120, ends.max(axis=0) + 120
    box = (low[0], low[1], high[0], high[1])
    sharp = quality(photo.rgb, box)
    soft = quality(cv2.GaussianBlur(photo.rgb, (0, 0), 6), box)
    assert soft.edge_width_px > 2 * sharp.edge_width_px
    assert quality(photo.rgb, (0, 0, 5, 5)).edge_width_px == float("inf")


def test_a_turned_head_makes_a_turned_trunk_likelier_and_the_interval_longer_upwards(seen):
    for stance in ("wall", "floating"):
        told = [turned_probability(turn, stance) for turn in (0.0, 0.08, 0.16)]
        assert told == sorted(told)
        assert turned_probability(-0.16, stance) == pytest.approx(told[-1])
    assert turned_probability(0.1, "wall") < turned_probability(0.1, "floating")
    before = solve_arm(seen, against_wall=False).arm_length
    landmarks_px = seen.body.landmarks_px.copy()
    reach = np.linalg.norm(seen.body.landmark("wrist") - seen.body.landmark("shoulder"))
    landmarks_px[Landmark.NOSE, 0] += 0.16 * reach
    after = solve_arm(replace(seen, body=replace(seen.body, landmarks_px=landmarks_px)), against_wall=False).arm_length
    assert after.high_mm - after.value_mm > before.high_mm - before.value_mm + 1.0
    assert any(part.source == "trunk turned or not" for part in after.budget)
