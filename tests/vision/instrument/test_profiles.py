"""Edges to a fraction of a pixel, and the network that knows an edge from its inlay and its shadow."""

import cv2
import numpy as np
import pytest

from calibration.problems import NO_SHEET, SHEET_BENT, Refused
from vision.blur import blur_px, with_blur_named
from vision.instrument.edge_net import read_edges
from vision.instrument.profiles import expected_edges, mask_crossings
from vision.problems import NO_SHEET_IN_SOFT, PHOTO_BLURRED


def step(edge_px, width=80, height=40, blur_px=0.8, low=(60, 40, 20), high=(190, 185, 180)):
    """A picture whose left part ends at x = `edge_px` (pixel centres at whole numbers), area-sampled and blurred."""
    x = np.arange(width)
    share = np.clip(edge_px - (x - 0.5), 0.0, 1.0)[None, :, None]
    picture = share * np.array(low) + (1 - share) * np.array(high)
    picture = np.repeat(picture, height, axis=0).astype(np.float32)
    return np.round(cv2.GaussianBlur(picture, (0, 0), blur_px)).astype(np.uint8)


@pytest.mark.parametrize("edge_px", [39.5, 40.0, 40.27, 40.75])
def test_the_sharpest_change_is_found_between_pixels(edge_px):
    points = np.stack([np.full(9, 40.0), np.arange(12.0, 21.0)], axis=1)
    normals = np.tile([1.0, 0.0], (9, 1))
    offset = expected_edges(step(edge_px), points, normals, 4.0)
    assert points[:, 0] + offset == pytest.approx(edge_px, abs=0.08)


def test_a_near_edge_wins_over_a_far_stronger_one():
    picture = step(40.0, low=(60, 60, 60), high=(100, 100, 100))
    picture[:, 55:] = 255
    offset = expected_edges(picture, np.array([[40.5, 20.0]]), np.array([[1.0, 0.0]]), 4.0)
    assert offset[0] == pytest.approx(-0.5, abs=0.1)


def test_a_mask_is_crossed_at_one_half():
    mask = np.zeros((20, 30), np.float32)
    mask[:, :10] = 1.0
    mask[:, 10] = 0.75
    offset, found = mask_crossings(mask, np.array([[9.0, 8.0], [25.0, 8.0]]), np.array([[1.0, 0.0], [1.0, 0.0]]), 6.0)
    assert found.tolist() == [True, False]
    assert offset[0] == pytest.approx(1 + 0.25 / 0.75, abs=0.02)


def plate(radius_px=300.0, size=800, shadow=True):
    """A varnished disc with an inlaid dark line, on a pale ground with a soft shadow beside it."""
    y, x = np.mgrid[:size, :size].astype(np.float64)
    away = np.hypot(x - size / 2, y - size / 2)
    ground = np.full((size, size, 3), (205.0, 200.0, 190.0))
    if shadow:
        shade = 1 - 0.45 * np.exp(-0.5 * ((np.hypot(x - size / 2 - 14, y - size / 2 - 10) - radius_px) / 14) ** 2)
        ground *= shade[..., None]
    varnish = np.array([150.0, 80.0, 30.0]) * (1 + 0.05 * np.sin(x / 3))[..., None]
    varnish[np.abs(away - radius_px + 9) < 1.5] *= 0.4
    share = np.clip(radius_px - away + 0.5, 0, 1)[..., None]
    picture = cv2.GaussianBlur(share * varnish + (1 - share) * ground, (0, 0), 0.8)
    return np.clip(picture + np.random.default_rng(1).normal(0, 3, picture.shape), 0, 255).astype(np.uint8)


def test_the_network_reads_the_plate_not_its_inlay_nor_its_shadow():
    angle = np.linspace(0, 2 * np.pi, 392, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    predicted = 400 + (300.0 + 3.0 * np.sin(3 * angle))[:, None] * outward  # up to 1.2 mm off at 2.5 px/mm
    (reading,) = read_edges(plate(), (predicted,), (outward,), (np.ones(392, dtype=bool),), 2.5)
    found_px = 300.0 + 3.0 * np.sin(3 * angle) + reading.offset_mm * 2.5
    assert (reading.seen > 0.5).mean() > 0.9
    assert np.median(np.abs(found_px - 300.0)) < 0.6
    assert np.percentile(np.abs(found_px - 300.0), 90) < 1.5


def test_an_edge_does_not_depend_on_which_others_are_asked_for():
    """Of two lines some stretches are asked for, one of them across the outline's first node, one node alone."""
    angle = np.linspace(0, 2 * np.pi, 392, endpoint=False)
    outward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    lines = tuple(400 + radius * outward for radius in (298.0, 301.0))
    asked = np.zeros((2, 392), dtype=bool)
    asked[0, [*range(380, 392), *range(9), 200]] = True
    asked[1, 90:160] = True
    every = np.ones(392, dtype=bool)
    whole = read_edges(plate(), lines, (outward, outward), (every, every), 2.5)
    some = read_edges(plate(), lines, (outward, outward), (asked[0], asked[1]), 2.5)
    for line in range(2):
        for name in ("offset_mm", "sigma_mm", "seen"):
            told, expected = getattr(some[line], name), getattr(whole[line], name)
            assert told[asked[line]] == pytest.approx(expected[asked[line]], abs=1e-4), (line, name)
        assert np.isnan(some[line].offset_mm[~asked[line]]).all()
        assert not some[line].seen[~asked[line]].any()
    none = read_edges(plate(), lines, (outward, outward), (~every, ~every), 2.5)
    assert all(np.isnan(each.offset_mm).all() for each in none)


def chessboard(square_px=40, size=800):
    y, x = np.mgrid[:size, :size]
    grey = np.where((x // square_px + y // square_px) % 2, 230, 25).astype(np.uint8)
    grey = np.round(
        cv2.GaussianBlur(cv2.warpAffine(grey, cv2.getRotationMatrix2D((400, 400), 20, 1), (size, size)), (0, 0), 0.7)
    )
    return np.repeat(grey[..., None], 3, axis=2).astype(np.uint8)


def blurred(picture):
    """What is said of blur where no sheet was found in a picture."""
    return [each for each in with_blur_named(Refused(NO_SHEET), picture).problems if each is not NO_SHEET]


@pytest.mark.parametrize(("sigma_px", "told"), [(1.6, [NO_SHEET_IN_SOFT]), (6.0, [PHOTO_BLURRED])])
def test_that_no_sheet_is_found_for_blur_is_said(sigma_px, told):
    soft = cv2.GaussianBlur(chessboard(), (0, 0), sigma_px)
    assert blurred(soft) == told
    assert with_blur_named(Refused(SHEET_BENT), soft).problems == (SHEET_BENT,), "of nothing else"


def test_a_sharp_picture_is_not_called_blurred():
    assert blur_px(chessboard()) < 1.5
    assert blurred(chessboard()) == []


@pytest.mark.parametrize("angle_deg", [0.0, 35.0, 90.0])
def test_a_phone_that_moved_is_found_in_every_direction(angle_deg):
    kernel = np.zeros((31, 31), np.float32)
    kernel[15] = 1 / 31
    turned = cv2.warpAffine(kernel, cv2.getRotationMatrix2D((15, 15), angle_deg, 1), (31, 31))
    assert blurred(cv2.filter2D(chessboard(), -1, turned / turned.sum())) == [PHOTO_BLURRED]


@pytest.mark.parametrize("sigma_px", [2.0, 4.0])
def test_blur_is_measured_in_pixels(sigma_px):
    assert blur_px(cv2.GaussianBlur(chessboard(), (0, 0), sigma_px)) == pytest.approx(sigma_px, rel=0.35)
