"""A blank card in the printed frame tells how large the print is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import FRAME_DIAGONAL_MM, solve_camera
from calibration.card import CARD_THICKNESS_MM, scale_from_card
from calibration.detection import find_sheets
from calibration.homography import apply_homography
from calibration.print_scale import UNCHECKED, PrintScale
from calibration.sheet import CARD_HEIGHT_MM, CARD_WIDTH_MM, Paper, SheetLayout
from tests.calibration.pretend_photos import photograph, placed

LAYOUT = SheetLayout(Paper.A4, 1)
SIZE = (1000, 1000)


def _photo(scale: float, card: int | None, stretch: tuple[float, float] = (1.0, 1.0)) -> NDArray[np.uint8]:
    way = placed(LAYOUT, (500, 500), 2.6, 8, 0.02)
    photo = photograph([(LAYOUT, way)], size_px=SIZE, print_scale=scale, noise=1.0)
    if card is not None:
        # a card is nearer to the camera than the sheet by its thickness
        distance_mm = 26.0 * np.hypot(*SIZE) / FRAME_DIAGONAL_MM / 2.6
        nearer = 1 + CARD_THICKNESS_MM / distance_mm
        half = np.array([CARD_WIDTH_MM, CARD_HEIGHT_MM]) * stretch / 2 / scale * nearer
        corners = np.array(LAYOUT.card.centre_mm) + half * [(-1, 1), (1, 1), (1, -1), (-1, -1)]
        finer = 8
        at = (apply_homography(way, corners) + 0.5) * finer - 0.5
        mask = np.zeros((SIZE[1] * finer, SIZE[0] * finer), np.uint8)
        cv2.fillConvexPoly(mask, np.round(at).astype(np.int32), 255)
        share = cv2.GaussianBlur(cv2.resize(mask, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.7)[..., None] / 255
        photo = np.round(photo * (1 - share) + card * share).astype(np.uint8)
    return photo


def _measured(scale: float, card: int | None, stretch: tuple[float, float] = (1.0, 1.0)) -> PrintScale:
    photo = _photo(scale, card, stretch)
    return scale_from_card(photo, solve_camera(find_sheets(photo), SIZE, 26.0, "table"))


@pytest.mark.parametrize("brightness", [120, 220])
@pytest.mark.parametrize("scale", [0.96, 1.0])
def test_scale_from_card(scale: float, brightness: int) -> None:
    found = _measured(scale, brightness)
    assert found.checked
    assert found.suspected == (scale != 1.0)
    assert found.scale == pytest.approx(scale, abs=0.004)
    # a tenth of a pixel at either end, at 2.6 px/mm, weighted by precision, and the card's own +-0.15 %, rectangular
    edges = np.sqrt(2) * 0.1 / 2.6 / np.hypot(CARD_WIDTH_MM, CARD_HEIGHT_MM) * scale
    assert found.standard_uncertainty == pytest.approx(np.hypot(edges, 0.0015 / np.sqrt(3)), rel=0.03)


def test_empty_frame_says_nothing() -> None:
    assert _measured(1.0, None) == UNCHECKED


@pytest.mark.parametrize("brightness", [25, 45])
def test_a_dark_card_says_nothing(brightness: int) -> None:
    """The band has 30 grey levels; what is less than 20 paler is not told from it."""
    assert _measured(1.0, brightness) == UNCHECKED


@pytest.mark.parametrize("stretch", [(85.0 / CARD_WIDTH_MM, 55.0 / CARD_HEIGHT_MM), (1.0, 1.010), (1.010, 1.0)])
def test_a_card_of_another_shape_says_nothing(stretch: tuple[float, float]) -> None:
    """A visiting card of 85 by 55 mm (common practice, no source) is no ID-1 card, nor is what is a per cent off."""
    assert _measured(1.0, 220, stretch) == UNCHECKED


def test_a_card_within_what_edges_scatter_is_one() -> None:
    assert _measured(1.0, 220, (1.0, 1.004)).checked


def test_places_of_edges_are_between_pixels() -> None:
    """A twentieth of a pixel over both edges, 0.02 mm of 85.6: a whole step of the search would be three times that."""
    scales = np.linspace(0.985, 1.015, 7)
    errors = [_measured(scale, 220).scale / scale - 1 for scale in scales]
    assert np.std(errors) < 0.0003
    assert np.mean(errors) == pytest.approx(0.0, abs=0.0015)  # pale spreads into black, as the uncertainty says
