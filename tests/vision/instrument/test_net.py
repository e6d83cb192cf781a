"""The instrument's network on sample photos, and what crops and points are made of."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.vision.sample_photos import photo, truth
from vision.instrument.net import MASKS, POINTS, QUICK_SIDE, QUICK_SIZE, InstrumentNet, _agree, _is_sharp
from vision.networks.crops import SeveralCrops, take_crop, upright_crop
from vision.networks.points import read_points


@pytest.fixture(scope="module")
def net():
    return InstrumentNet()


def filled(outline_px, shape):
    """Pixels within an outline (N, 2), px of the photo, in the photo at half its size."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(np.array(outline_px) / 2 * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def sample(name):
    """The photo at half its size, body, whole instrument, and points, as they are in truth."""
    rgb, true = np.ascontiguousarray(photo(name).rgb[::2, ::2]), truth(name)
    points = {key: np.array(xy) / 2 for key, xy in true["points_px"].items()}
    return rgb, filled(true["outline_px"], rgb.shape[:2]), filled(true["whole_px"], rgb.shape[:2]), points


def overlap(a, b):
    return (a & b).sum() / (a | b).sum()


@pytest.mark.parametrize("name", ["instrument-1", "instrument-2", "instrument-3", "instrument-on-shoulder-rest"])
def test_finds_body_and_whole_and_points(net, name):
    rgb, body, whole, points = sample(name)
    seen = net(rgb)
    assert seen.instruments == 1
    assert seen.body.shape == rgb.shape[:2]
    assert overlap(seen.body > 0.5, body) > 0.94
    assert overlap(seen.whole > 0.5, whole) > 0.92
    length = np.linalg.norm(points["body_top_center"] - points["body_bottom_center"])
    for key in ("body_top_center", "body_bottom_center", "scroll_top", "waist_left", "waist_right"):
        got = seen.keypoints[key]
        assert np.hypot(got.x - points[key][0], got.y - points[key][1]) < 0.03 * length, key
        assert got.sigma_px > 0
        assert got.confidence > 0.2


@pytest.mark.parametrize(("sigma_px", "looks"), [(0.0, 2), (10.0, 4)])
def test_a_blurred_photo_is_looked_at_again(sigma_px, looks):
    """Where the second look is not sharp, a larger one follows and one in the mirror."""
    rgb, body, *_ = sample("instrument-1")
    if sigma_px:
        rgb = cv2.GaussianBlur(rgb, (0, 0), sigma_px)
    net, sizes = InstrumentNet(), []
    look = net._look
    net._look = lambda photo, to_photo, size: (sizes.append(size), look(photo, to_photo, size))[1]
    seen = net(rgb)
    assert len(sizes) == looks
    assert overlap(seen.body > 0.5, body) > 0.94


@pytest.mark.parametrize(
    ("fault", "enough"), [("none", True), ("soft", False), ("elsewhere", False), ("scroll unseen", False)]
)
def test_small_looks_are_enough_where_they_are_sharp_and_agree(net, fault, enough):
    rgb, *_ = sample("instrument-1")
    cut = SeveralCrops(rgb)
    first = net._whole_photo(cut, rgb.shape[1::-1], QUICK_SIDE)
    second = net._alone(cut, first, QUICK_SIZE)
    masks, points, moved = second.masks.copy(), second.points.copy(), second.to_photo.copy()
    if fault == "soft":
        masks[MASKS.index("body")] = cv2.GaussianBlur(masks[MASKS.index("body")], (0, 0), 5.0)
    if fault == "elsewhere":
        moved[:, 2] += 0.15 * np.hypot(*moved[:, 1]) * QUICK_SIZE[1]
    if fault == "scroll unseen":
        points[POINTS.index("scroll_top"), 3] = 0.4
    changed = replace(second, masks=masks, points=points, to_photo=moved)
    assert (_agree(first, changed) and _is_sharp(changed)) is enough


def test_turning_the_photo_turns_what_is_found(net):
    rgb, *_ = sample("instrument-1")
    upright, turned = net(rgb), net(np.ascontiguousarray(np.rot90(rgb)))
    length = np.hypot(
        upright.keypoints["scroll_top"].x - upright.keypoints["body_bottom_center"].x,
        upright.keypoints["scroll_top"].y - upright.keypoints["body_bottom_center"].y,
    )
    for name in ("scroll_top", "upper_bout_left", "lower_bout_right"):
        a, b = upright.keypoints[name], turned.keypoints[name]
        assert np.hypot(a.y - b.x, rgb.shape[1] - 1 - a.x - b.y) < 0.03 * length, name


def test_sees_no_instrument_where_there_is_none(net):
    rng = np.random.default_rng(3)
    wall = np.clip(rng.normal(150, 20, (300, 400, 3)), 0, 255).astype(np.uint8)
    cv2.rectangle(wall, (60, 50), (180, 220), (250, 250, 250), -1)
    seen = net(wall)
    assert seen.instruments == 0
    assert seen.keypoints == {}
    assert seen.whole.max() == 0


def test_a_point_is_read_between_cells():
    maps = np.zeros((4, 12, 16), np.float32)
    maps[0] = -9
    maps[0, 5, 7] = 6
    maps[1, 5, 7], maps[2, 5, 7], maps[3] = 0.25, -0.5, np.log(0.5)
    x, y, sigma, confidence = read_points(maps, 1)[0]
    assert x == pytest.approx((7.25 + 0.5) * 4 - 0.5, abs=0.02)
    assert y == pytest.approx((4.5 + 0.5) * 4 - 0.5, abs=0.02)
    assert sigma == pytest.approx(3**0.5 * 0.5 * 4, rel=1e-3)
    assert confidence > 0.99


@pytest.mark.parametrize("take", [take_crop, lambda photo, *crop: SeveralCrops(photo).take(*crop)])
@pytest.mark.parametrize("scale", [0.5, 1.0, 2.7, 4.6])
def test_a_crop_keeps_a_dot_where_its_map_says(scale, take):
    photo = np.full((480, 640, 3), 114, np.uint8)  # as bright as what lies beyond a photo
    cv2.circle(photo, (190, 100), 6, (255, 255, 255), -1)
    up = np.array([0.6, -0.8])
    to_photo = upright_crop(np.array([180.0, 110.0]), up, scale, (96, 128))
    crop = take(photo, to_photo, (96, 128))[0, 0]
    rows, cols = np.mgrid[: crop.shape[0], : crop.shape[1]]
    dot = crop - 114
    middle = np.array([(dot * cols).sum(), (dot * rows).sum()]) / dot.sum()
    assert to_photo[:, :2] @ middle + to_photo[:, 2] == pytest.approx([190, 100], abs=0.15 * max(1, scale))


@pytest.mark.parametrize("scale", [3.5, 4.2, 5.9, 6.4])
def test_crops_of_the_half_are_those_of_the_photo(scale):
    photo = np.random.default_rng(4).integers(0, 256, (640, 800, 3), dtype=np.uint8)
    to_photo = upright_crop(np.array([371.0, 322.0]), np.array([0.28, -0.96]), scale, (96, 64))
    apart = SeveralCrops(photo).take(to_photo, (96, 64)) - take_crop(photo, to_photo, (96, 64))
    assert np.abs(apart).max() <= 2.0  # means are rounded once more


@pytest.mark.parametrize("scale", [9.2, 9.9, 13.9])
def test_a_large_reduction_may_be_of_halves_of_the_half(scale):
    noise = np.random.default_rng(5).standard_normal((1280, 1600, 3))
    field = cv2.GaussianBlur(noise, (0, 0), 25.0)  # nothing finer than a crop shows
    photo = np.clip(114 + 40 * field / field.std(), 0, 255).astype(np.uint8)
    to_photo = upright_crop(np.array([771.0, 622.0]), np.array([0.28, -0.96]), scale, (96, 64))
    apart = SeveralCrops(photo).take(to_photo, (96, 64)) - take_crop(photo, to_photo, (96, 64))
    assert np.abs(apart).mean() <= 1.0
    assert np.abs(apart).max() <= 8.0


def test_names_match_the_network(net):
    masks, points = net._session.run(None, {"image": np.zeros((1, 3, 64, 64), np.float32)})
    assert masks.shape == (1, len(MASKS), 32, 32)
    assert points.shape == (1, 4 * len(POINTS), 16, 16)
