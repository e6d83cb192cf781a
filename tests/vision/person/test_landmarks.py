"""The command that compares landmarks with labelled photographs, on a rendered child labelled by its truth."""

import json
import shutil

import numpy as np

from tests.landmarks.__main__ import JOINTS, labelled_arms, measure


def annotation(truth: dict) -> dict:
    keypoints = np.zeros((17, 3))
    for name, (left, right) in JOINTS.items():
        point = "shoulder_joint" if name == "shoulder" else name
        for number, side in ((left, "L"), (right, "R")):
            keypoints[number] = [*truth["points"][f"{point}_{side}"]["px"], 2]
    return {"image_id": 7, "keypoints": keypoints.ravel().tolist()}


def test_unlabelled_arms_are_left_out():
    keypoints = np.zeros((17, 3))
    keypoints[[5, 7, 9]] = [[0, 0, 2], [30, 0, 2], [60, 0, 1]]
    arms = list(labelled_arms({"keypoints": keypoints.ravel().tolist()}))
    assert [side for side, _ in arms] == ["left"]
    assert np.allclose(arms[0][1]["wrist"], [60, 0])


def test_errors_in_per_cent_of_the_arm(shared, tmp_path):
    scene = shared / "scenes/child/002"
    shutil.copy(scene / "white.jpg", tmp_path / "child.jpg")
    labels = {
        "images": [{"id": 7, "file_name": "child.jpg"}],
        "annotations": [annotation(json.loads((scene / "truth.json").read_text()))],
    }
    file = tmp_path / "labels.json"
    file.write_text(json.dumps(labels))
    errors, total, missed = measure(tmp_path, file)
    assert (total, missed) == (1, 0)
    assert {name: len(values) for name, values in errors.items()} == {"shoulder": 2, "elbow": 2, "wrist": 2}
    assert max(max(values) for values in errors.values()) < 12.0
    assert min(min(values) for values in errors.values()) > 0.0
