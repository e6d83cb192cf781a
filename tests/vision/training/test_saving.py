"""Made pictures are read as a phone's photos are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vision.photo import load_photo
from vision.training.saving import save_photo

RGB = np.full((1200, 1600, 3), 120, np.uint8)


@pytest.mark.parametrize(("stated", "read"), [(26.4, 26.0), (None, None)])
def test_a_photo_states_its_lens_and_a_frame_of_a_film_none(tmp_path: Path, stated: float | None, read: float | None):
    save_photo(tmp_path / "photo.jpg", RGB, 86, stated)
    photo = load_photo(tmp_path / "photo.jpg")
    assert photo.lens.focal35_mm == read
    assert photo.rgb.shape == RGB.shape
