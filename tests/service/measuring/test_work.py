"""What a worker draws: all of a good photo, and of a refused one what is asked for."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Outcome
from service.measuring.work import measure_arm_photo, measure_instrument_photos
from vision.refusal import LONGEST_SIDE_PX

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"


def outcome_of(sample: str, refused_too: bool) -> Outcome:
    data = (SAMPLES / sample).read_bytes()
    if sample.startswith("child"):
        return measure_arm_photo(data, sample, ArmQuestion(refused_too=refused_too))
    return measure_instrument_photos([(data, sample)], InstrumentQuestion(refused_too=refused_too))


@pytest.mark.parametrize("sample", ["child-elbow-bent.jpg", "instrument-blurred.jpg"])
def test_of_a_refused_photo_only_its_fault_is_drawn_where_no_more_is_wanted(sample: str) -> None:
    less, all_of_it = outcome_of(sample, False), outcome_of(sample, True)
    assert not less.result["usable"]
    assert less.overlay_jpeg is None
    assert less.photo_jpeg is None
    assert all_of_it.overlay_jpeg
    assert all_of_it.photo_jpeg
    assert less.refusal_jpeg == all_of_it.refusal_jpeg
    assert less.result == all_of_it.result
    assert max(Image.open(io.BytesIO(less.refusal_jpeg or b"")).size) == LONGEST_SIDE_PX


def test_a_good_photo_is_drawn_whatever_is_wanted_of_refused_ones() -> None:
    less, all_of_it = outcome_of("child-1.jpg", False), outcome_of("child-1.jpg", True)
    assert less.result["usable"]
    assert less == all_of_it
    assert Image.open(io.BytesIO(less.photo_jpeg or b"")).size == less.size_px


def test_of_two_photos_the_one_at_fault_is_shown_as_refused() -> None:
    sharp, blurred = (
        (file.read_bytes(), file.name) for file in (SAMPLES / f"instrument-{each}.jpg" for each in ("5-a", "blurred"))
    )
    alone = measure_instrument_photos([blurred], InstrumentQuestion())
    for files, number in (([sharp, blurred], 2), ([blurred, sharp], 1)):
        both = measure_instrument_photos(files, InstrumentQuestion())
        assert [each["number"] for each in both.result["unused"]] == [number]
        assert both.refusal_jpeg == alone.refusal_jpeg is not None
