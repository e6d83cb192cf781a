"""Burnt-out varnish is refused with its reason; the same instrument without glare is not."""

from dataclasses import replace
from pathlib import Path

import cv2
import pytest

from vision.instrument.glare import MOST_BURNT, burnt_share
from vision.instrument.measure import measure_instrument
from vision.instrument.seen import see_instrument
from vision.photo import Photo, load_photo

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"


def sample(name: str) -> Photo:
    return load_photo((SAMPLES / name).read_bytes(), name)


@pytest.mark.parametrize("name", ["instrument-1.jpg", "instrument-3.jpg"])
def test_ordinary_light_passes_with_room_to_spare(name: str) -> None:
    photo = sample(name)
    assert burnt_share(photo.rgb, see_instrument(photo.rgb)) < MOST_BURNT / 10


def test_a_mirrored_lamp_is_refused() -> None:
    photo = sample("instrument-1.jpg")
    measured = measure_instrument(photo)
    low, high = measured.points_px["body_bottom"], measured.points_px["body_top"]
    spot = (round(0.75 * low[0] + 0.25 * high[0]), round(0.75 * low[1] + 0.25 * high[1]))
    glaring = photo.rgb.copy()
    length_px = ((low[0] - high[0]) ** 2 + (low[1] - high[1]) ** 2) ** 0.5
    cv2.circle(glaring, spot, round(0.14 * length_px), (255, 255, 255), -1)
    refused = measure_instrument(replace(photo, rgb=glaring))
    assert not refused.usable
    assert [problem.code for problem in refused.problems] == ["strong_glare"]
