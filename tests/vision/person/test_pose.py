"""Looking for people: what is shown to the body model, and where its points are said to be."""

from pathlib import Path

import numpy as np

from vision.person import pose
from vision.person.pose import Landmark, find_people
from vision.photo import load_photo

SAMPLE = Path(__file__).resolve().parents[3] / "sample_images" / "child-1.jpg"


def test_a_reduced_picture_gives_the_same_points(monkeypatch):
    rgb = load_photo(SAMPLE).rgb
    assert max(rgb.shape) > pose.LOOKING_SIDE_PX
    (reduced,) = find_people(rgb)
    monkeypatch.setattr(pose, "LOOKING_SIDE_PX", max(rgb.shape))
    (whole,) = find_people(rgb)
    arm = [Landmark.LEFT_SHOULDER, Landmark.LEFT_ELBOW, Landmark.LEFT_WRIST]
    gaps = np.linalg.norm(reduced.points_px[arm] - whole.points_px[arm], axis=1)
    # a hundredth of the trunk: a tenth of what the model repeats on photographs of people
    assert gaps.max() < 0.01 * whole.torso_px
    assert reduced.mask.shape[0] < whole.mask.shape[0] == rgb.shape[0]
