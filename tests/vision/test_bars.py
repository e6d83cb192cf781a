"""Photos shown on a screen, between bars: what is taken for the photo, and what is not."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from calibration.arrays import Picture
from calibration.lens import Frame
from calibration.problems import Refused
from vision.bars import without_bars
from vision.photo import load_photo
from vision.problems import PHOTO_TOO_SMALL

SCREEN = (2340, 1080)
"""Height and width."""


def photo(height: int, width: int) -> Picture:
    """Something with smooth and rough parts and no plain border."""
    rows, columns = np.mgrid[:height, :width]
    noise = np.random.default_rng(1).normal(0, 8, (height, width))
    grey = 120 + 60 * np.sin(columns / 97) + 30 * np.cos(rows / 61) + noise
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def screen(shown: Picture, colour: int = 0, down: int = 0) -> Picture:
    """A screenshot of it, with a clock, and marks below as galleries draw them."""
    picture = np.full((*SCREEN, 3), colour, np.uint8)
    marks = 255 - colour
    picture[40:70, 60:160] = marks
    picture[-190:-130:5, 100:-100:7] = marks
    top, left = (SCREEN[0] - shown.shape[0]) // 2 + down, (SCREEN[1] - shown.shape[1]) // 2
    picture[top : top + shown.shape[0], left : left + shown.shape[1]] = shown
    return picture


def encoded(picture: Picture, kind: str = "PNG", **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, kind, **options)
    return buffer.getvalue()


@pytest.mark.parametrize(("colour", "down"), [(0, 0), (255, 0), (30, -110)])
@pytest.mark.parametrize("size", [(1440, 1080), (810, 1080), (1152, 864)])
def test_a_screenshot_is_the_photo_that_it_shows(size: tuple[int, int], colour: int, down: int) -> None:
    shown = photo(*size)
    found = load_photo(encoded(screen(shown, colour, down)))
    assert np.array_equal(found.rgb, shown)
    assert found.lens.frame is Frame.WHOLE
    turned = load_photo(encoded(np.ascontiguousarray(np.rot90(screen(shown, colour, down)))))
    assert np.array_equal(turned.rgb, np.rot90(shown))


def test_a_screenshot_saved_as_a_jpeg_is_told_to_a_few_pixels() -> None:
    found = without_bars(np.asarray(Image.open(io.BytesIO(encoded(screen(photo(1440, 1080)), "JPEG", quality=75)))))
    assert abs(found.shape[0] - 1440) <= 2
    assert found.shape[1] == 1080


def test_a_screenshot_of_a_part_is_a_photo_that_was_cut() -> None:
    assert load_photo(encoded(screen(photo(1250, 1080)))).lens.frame is Frame.CUT


def test_a_small_photo_on_a_screen_is_refused_as_small() -> None:
    with pytest.raises(Refused) as refusal:
        load_photo(encoded(screen(photo(600, 450))))
    assert refusal.value.problems == (PHOTO_TOO_SMALL,)


def test_a_photo_keeps_its_own_plain_parts() -> None:
    """White that fades in, one plain border, two of different colours, a plain band in the middle, a plain picture."""
    fading = np.clip(photo(1200, 900) + 4.0 * np.abs(np.arange(1200) - 600)[:, None, None] / 10, 0, 255)
    plain = np.full((1200, 900, 3), 90, np.uint8)
    one, two, band = photo(1200, 900), photo(1200, 900), photo(1200, 900)
    one[:200] = 255
    two[:200], two[-200:] = 255, 0
    band[500:700] = 0
    for picture in (fading.astype(np.uint8), plain, one, two, band):
        assert without_bars(picture).shape == picture.shape


def test_a_photo_that_states_its_lens_is_no_screenshot() -> None:
    picture = photo(1200, 900)
    picture[:200] = picture[-200:] = 0
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    assert load_photo(encoded(picture, "JPEG", exif=exif)).rgb.shape == picture.shape
    assert load_photo(encoded(picture, "JPEG")).rgb.shape[0] < 810
