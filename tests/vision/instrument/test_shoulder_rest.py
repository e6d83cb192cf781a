"""Feet of a shoulder rest: strings of one letter a node, as rendered scenes with and without a rest gave them."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from calibration.arrays import Array, Picture
from tests.vision import sample_photos
from vision.instrument import shoulder_rest
from vision.instrument.cameras import LeanCamera
from vision.instrument.model import pose_of
from vision.instrument.shape import MODES, outline_prior

GRIPPED = {
    "both feet, beside a chin rest": (
        "cccccccccbbbbbbbbccbbbbbbcccbbbbbbbbbbbbbbbbbbbbbbbb",
        "###occccc........##......###........................",
    ),
    "small photo, one foot narrower than two nodes": (
        "ccccccccbbbbbbbbbcbbbbbbbcccbbbbbbbbbbbbbbbbbbbbbbbb",
        "cccccccc........##......###c........................",
    ),
    "one foot, the other beside a part that is not seen": (
        "cccccc-bbbbbbbbbbbbbbbbbccbbbbbbbbbbbbbbbb-------bbb",
        "cccc##.................####...............????????..",
    ),
}
BARE = {
    "edge hard to see, oblique": (
        "bbbbbbbbbbbcbccccccbbbbbbbbbbbbbbbbbbbcccbbbbbbccccc",
        "...........c.cccccc...................ccc......ccccc",
    ),
    "small photo": (
        "bbbbbbbbbbbbbbbbbbbbbbbbbbbcbbbcbbbbbbcbbccbbbbbbbbb",
        "...........................c...c......c..cc.........",
    ),
    "shade towards the corner": (
        "bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbccbb",
        "................................................cooo",
    ),
    "chin rest": (
        "ccccccccccccccbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb",
        "ccccccccco##cc......................................",
    ),
    "dark spot on the ground away from the edge": (
        "bbbbbbbccbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb",
        ".......cc...........###.............................",
    ),
}

STICKING_OUT = {
    "both feet": "cccccccc........##......##o........................",
    "both feet, small photo": "cccccccc........o#o.....o##o........................",
    "both feet, ground unseen towards the corner": ".......................o##o.....#o..????????........",
    "both feet, one of which covers some of the edge": "ooooccccc......c##o.....###.........................",
    "one foot, the ground unseen beyond it": "ccccccccccccc...##.....?????????????????????????????",
    "one foot where the ground begins to be unseen": "................................o##???????o.........",
}
NOTHING_STICKS_OUT = {
    "chin rest alone": "cccc###cc.................................???.......",
    "chin rest with a shade beyond it": "ccco##oc................................????????....",
    "lower end in the shade": "##o.................................................",
    "one dark spot": ".............................##.....................",
    "one dark node before unseen ground": ".............................#......???.............",
    "dark far from where the ground is unseen": "...............##..................????.............",
    "dark at the corner, beyond unseen ground": ".............................................????###",
    "two, too far apart for one bout": "....##...................................##.........",
    "two like feet, on printed notes": "o.....o........oo#...........oo#.....##......#..???.",
    "the same in the mirror": "o...............ooo..........o##o.....#.#....#....??",
}
BOTH_BOUTS = {
    "beside a chin rest": (
        "cccc##c.................###o...............??????.c.",
        ".......................................###.........c",
    ),
    "most of one foot unseen": (
        "cccc##cc.............c.o###................??????.cc",
        ".....................................????#.........c",
    ),
}
ONE_BOUT = {
    "nothing at the other": ("cccc##c.................###o...............??????.c.", "." * 52),
    "a joint of the floor at both": ("." * 20 + "#" + "." * 31, "." * 25 + "#" + "." * 26),
    "two things at one": ("...###........................###...................", "." * 20 + "###" + "." * 29),
    "dark at the corner": ("." * 24 + "###" + "." * 25, "." * 48 + "###."),
    "a chin rest at both": ("ccccccccco##cc" + "." * 38, "ccc###cccc" + "." * 42),
}
SAMPLE = "instrument-1"


@pytest.mark.parametrize("case", GRIPPED)
def test_feet_cover_the_edge_and_stick_out(case: str) -> None:
    assert shoulder_rest._grips(*GRIPPED[case], on_dark=False)


@pytest.mark.parametrize("case", BOTH_BOUTS)
def test_one_foot_at_each_bout_is_a_rest(case: str) -> None:
    assert shoulder_rest._stands_on_both(list(BOTH_BOUTS[case]))


@pytest.mark.parametrize("case", ONE_BOUT)
def test_what_is_not_one_foot_at_each_bout_is_none(case: str) -> None:
    assert not shoulder_rest._stands_on_both(list(ONE_BOUT[case]))


@pytest.mark.parametrize("case", BARE)
def test_an_edge_that_is_hard_to_see_is_not_gripped(case: str) -> None:
    assert not shoulder_rest._grips(*BARE[case], on_dark=False)


def test_on_a_dark_ground_what_covers_the_edge_must_do() -> None:
    """Feet do not show on it; an edge covered in three places is one that is hard to see."""
    one, three = "bbbbbccbbbbbbbb", "bbbccbbbbccbbbbcccbbb"
    assert shoulder_rest._grips(one, "." * len(one), on_dark=True)
    assert not shoulder_rest._grips(one, "." * len(one), on_dark=False)
    assert not shoulder_rest._grips(three, "." * len(three), on_dark=True)
    assert not shoulder_rest._grips("b" * 20, "." * 20, on_dark=True)


def test_which_ground_is_dark() -> None:
    assert shoulder_rest._on_dark(np.array([30.0, 35.0, np.nan, 200.0]))
    assert not shoulder_rest._on_dark(np.array([30.0, 120.0, 130.0]))
    assert not shoulder_rest._on_dark(np.array([np.nan, np.nan]))


@pytest.mark.parametrize("case", STICKING_OUT)
def test_feet_stick_out_from_a_bare_edge(case: str) -> None:
    assert shoulder_rest._sticks_out(STICKING_OUT[case])


def test_a_dark_corner_and_a_chin_rest_are_no_further_things_beside_the_feet() -> None:
    assert shoulder_rest._sticks_out("cc#oc...........##......###...................cc##oo")


@pytest.mark.parametrize("case", NOTHING_STICKS_OUT)
def test_one_dark_thing_on_seen_ground_is_no_shoulder_rest(case: str) -> None:
    assert not shoulder_rest._sticks_out(NOTHING_STICKS_OUT[case])


def cloth(level: float, rng: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """A ground of one grey level with a camera's noise."""
    noise = cv2.GaussianBlur(rng.normal(0.0, 6.0, shape[:2]), (0, 0), 1.5)
    return np.repeat((level + noise)[..., None], 3, axis=2)


def print_of_notes(_: float, rng: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """White paper with dark notes close together."""
    paper = np.full(shape, 190.0)
    for x, y in rng.uniform(0, 1, (shape[0] * shape[1] // 400, 2)) * (shape[1], shape[0]):
        cv2.circle(paper, (round(x), round(y)), 4, (20.0,) * 3, -1)
    return paper


def on_ground(
    ground: Callable[[float, np.random.Generator, tuple[int, ...]], Array], level: float, seed: int, feet: bool
) -> bool:
    """Whether a sample laid on another ground, with feet beside either lower bout or without, shows feet."""
    detected = sample_photos.detected_instrument(SAMPLE)
    photo, camera = sample_photos.photo(SAMPLE), LeanCamera(detected.camera)
    pose = pose_of(detected.traced.start, detected.setting.table_mm)
    lines = camera.project(pose.top), camera.project(pose.back)
    body = np.zeros(photo.rgb.shape[:2], np.uint8)
    for line in lines:
        cv2.fillPoly(body, [np.round(line).astype(np.int32)], 1)
    laid = ground(level, np.random.default_rng(seed), photo.rgb.shape)
    if feet:
        outline = outline_prior().closed(np.zeros(MODES), 1.0)
        for along in (0.2, 0.29):
            for side in (-1, 1):
                beside = np.where(np.sign(outline[:, 0]) == side, np.abs(outline[:, 1] - along), np.inf)
                for line in lines:
                    place = tuple(np.round(line[int(beside.argmin())]).astype(int).tolist())
                    cv2.circle(laid, place, round(2.5 * detected.traced.px_per_mm), (8.0,) * 3, -1)
    rgb: Picture = np.where(body[..., None] > 0, photo.rgb, np.clip(laid, 0, 255)).astype(np.uint8)
    return shoulder_rest.shows_feet(rgb, detected.traced, camera, detected.setting)


@pytest.mark.parametrize("seed", range(4))
def test_noise_of_black_cloth_is_no_foot(seed: int) -> None:
    assert not on_ground(cloth, 3.0, seed, feet=False)


@pytest.mark.parametrize("seed", range(4))
def test_printed_notes_are_no_feet(seed: int) -> None:
    assert not on_ground(print_of_notes, 0.0, seed, feet=False)


@pytest.mark.parametrize("level", [30.0, 90.0, 160.0])
def test_feet_are_seen_on_dark_and_light_grounds(level: float) -> None:
    assert on_ground(cloth, level, 0, feet=True)
    assert not on_ground(cloth, level, 0, feet=False)
