"""How much work a photo is, counted: what is done once, and how often the picture is gone through, stays so.

No clock is asked but in the last test, which compares two processor times of one run.
"""

from __future__ import annotations

import io
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from statistics import median
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np
import onnxruntime
import pytest
import simplejpeg
from PIL import Image

from calibration.detection import find_sheets
from tests.speed.photos import CHILD, INSTRUMENT, arm_of, instrument_of, resized
from vision.arm.estimator import ArmProblem
from vision.arm.measure import solve_arm
from vision.arm.seen import see_arm
from vision.instrument.fit_problem import FitProblem
from vision.networks.landmark_model import LandmarkModel
from vision.photo import load_photo

MEASURE = {"arm": arm_of, "instrument": instrument_of}
PASSES = ("resize", "cvtColor", "GaussianBlur", "rotate")
"""What OpenCV does to every pixel that it is given."""

COUNTED = {
    "arm": {
        "decoded": 1,
        "find_sheets": 1,
        "edge_candidates": 4,  # the four edges of one sheet of paper
        "landmarks": 4,  # the body once, the hand at most three times
        "networks": 2,  # neck and depth
        "linearised": 32,  # five stances
    },
    "instrument": {
        "decoded": 1,
        "find_sheets": 1,
        "edge_candidates": 4,
        "landmarks": 0,
        "networks": 3,  # two looks at the instrument, one at its edges
        "linearised": 16,
    },
}
"""The most that may be done for one photo that shows one sheet."""
NETWORK_VALUES = {"arm": 0.3e6, "instrument": 0.6e6}
"""The most numbers that networks of our own are given."""
PICTURES_PASSED = {"arm": 3.8, "instrument": 4.0}
"""The most pixels that `PASSES` are given, over those of the photo: its grey, that reduced for the sheet, and its half,
of which all looks are."""


@cache
def photo_of(kind: str, megapixels: float) -> bytes:
    return resized(CHILD if kind == "arm" else INSTRUMENT, megapixels)


@contextmanager
def counting() -> Iterator[Counter[str]]:
    """Count what is done while the context is open."""
    done: Counter[str] = Counter()

    def counted(of: Any, name: str, note: Callable[[tuple[Any, ...], Any], dict[str, float]]) -> Any:
        function = getattr(of, name)

        def noted(*given: Any, **named: Any) -> Any:
            result = function(*given, **named)
            done.update(note(given, result))  # type: ignore[arg-type]
            return result

        return patch.object(of, name, noted)

    import calibration.checked_camera
    import calibration.print_scale

    with ExitStack() as stack:
        enter = stack.enter_context
        enter(counted(simplejpeg, "decode_jpeg", lambda _, rgb: {"decoded": 1, "bytes decoded": rgb.nbytes}))
        enter(counted(calibration.checked_camera, "find_sheets", lambda *_: {"find_sheets": 1}))
        enter(counted(calibration.print_scale, "edge_candidates", lambda *_: {"edge_candidates": 1}))
        enter(counted(LandmarkModel, "detect", lambda *_: {"landmarks": 1}))
        enter(counted(onnxruntime.InferenceSession, "run", lambda given, _: {"networks": 1, "values": _size(given[2])}))
        enter(counted(ArmProblem, "_seen_rows", lambda *_: {"linearised": 1}))
        enter(counted(FitProblem, "linearise", lambda *_: {"linearised": 1}))
        for name in PASSES:
            enter(counted(cv2, name, lambda given, _: {"pixels": given[0].shape[0] * given[0].shape[1]}))
        yield done


def _size(given: dict[str, np.ndarray]) -> int:
    return sum(each.size for each in given.values())


@pytest.mark.parametrize("kind", MEASURE)
def test_nothing_is_done_twice_for_one_photo(kind: str) -> None:
    photo = photo_of(kind, 12)
    MEASURE[kind](photo)  # what is loaded at the first photo is none of the next one's work
    with counting() as done:
        MEASURE[kind](photo)
    pixels = load_photo(photo).rgb.size / 3
    for what, most in COUNTED[kind].items():
        assert done[what] <= most, what
        assert bool(done[what]) == bool(most), f"{what} is not counted any more"
    assert done["bytes decoded"] == 3 * pixels
    assert 0 < done["values"] <= NETWORK_VALUES[kind]
    assert 0 < done["pixels"] <= PICTURES_PASSED[kind] * pixels


def test_an_arm_with_an_age_is_not_solved_twice_from_the_beginning() -> None:
    """It is solved without the age first, to judge the age, and from there with it: less than twice the rounds."""
    seen = see_arm(load_photo(photo_of("arm", 2)))
    rounds = []
    for age_years in (None, 9.0):
        with counting() as done:
            assert solve_arm(seen, age_years).usable
        rounds.append(done["linearised"])
    assert rounds[0] < rounds[1] <= 1.9 * rounds[0]


def test_a_photo_of_48_megapixels_is_decoded_smaller() -> None:
    """Its pixels are not worth their time: what is decoded is not much more than of 12 megapixels."""
    photo = io.BytesIO()
    Image.new("RGB", (8000, 6000), "grey").save(photo, "JPEG")
    with counting() as done:
        load_photo(photo.getvalue())
    assert done["decoded"] == 1
    assert done["bytes decoded"] < 1.2 * 3 * 12e6


@pytest.mark.parametrize(("kind", "most"), [("arm", 7.5), ("instrument", 6.0)])
def test_a_photo_takes_not_many_times_its_decoding_and_its_sheet(kind: str, most: float) -> None:
    """Processor time of this process over that of decoding and finding the sheet, twice what it was found to be."""
    photo = photo_of(kind, 12)

    def spent(task: Callable[[bytes], object]) -> float:
        start = time.process_time()
        task(photo)
        return time.process_time() - start

    tasks: tuple[Callable[[bytes], object], ...] = (MEASURE[kind], lambda data: find_sheets(load_photo(data).rgb))
    for task in tasks:
        task(photo)
    whole, floor = (median(times) for times in zip(*([spent(task) for task in tasks] for _ in range(3)), strict=True))
    assert whole < most * floor


def test_a_worker_loads_nothing_that_it_never_needs() -> None:
    """What is loaded is waited for: optimisers, statistics and plotting take longer to load than a photo to measure."""
    code = "import sys, service.measuring.loaded; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    loaded = set(done.stdout.split())
    assert "vision.instrument.measure" in loaded
    assert not loaded & {"scipy.optimize", "scipy.stats", "matplotlib", "sounddevice"}
