"""A blank card in the printed frame tells how large the print is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import PosedCamera, solve_camera
from calibration.card import CARD_THICKNESS_MM, _edge_mm, scale_from_card
from calibration.detection import find_sheets
from calibration.homography import apply_homography
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.print_scale import UNCHECKED, PrintScale
from calibration.sheet import CARD_HEIGHT_MM, CARD_WIDTH_MM, Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto
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
        photo = _mixed(photo, card, share)
    return photo


def _mixed(dark: NDArray[np.uint8] | float, pale: float, share: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Grey levels where a share of the light is the pale one's, as a lens blurs it."""
    light = (np.asarray(dark, float) / 255) ** 2.2 * (1 - share) + (pale / 255) ** 2.2 * share
    return np.round(255 * light ** (1 / 2.2)).astype(np.uint8)


def _measured(scale: float, card: int | None, stretch: tuple[float, float] = (1.0, 1.0)) -> PrintScale:
    photo = _photo(scale, card, stretch)
    return scale_from_card(photo, solve_camera(find_sheets(photo), SIZE, StatedLens(26.0), "table"))


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


def _step_sheet(places: dict[str, float]) -> tuple[NDArray[np.uint8], PosedCamera]:
    """A sheet seen from exactly above at 10 px/mm, with a pale card whose edges are at those places of the print, mm.

    Edges are blurred to slopes of 4 px, which linear interpolation leaves as they are.
    """
    box, centre = LAYOUT.card_frame, LAYOUT.card.centre_mm
    size = (1300, 1000)
    x = (np.arange(size[0]) - 650) / 10 + centre[0]
    y = (500 - np.arange(size[1])) / 10 + centre[1]
    across = np.clip(2.5 * (x - places["left"]) + 0.5, 0, 1) * np.clip(2.5 * (places["right"] - x) + 0.5, 0, 1)
    along = np.clip(2.5 * (y - places["bottom"]) + 0.5, 0, 1) * np.clip(2.5 * (places["top"] - y) + 0.5, 0, 1)
    assert box.width_mm < 130
    grey = _mixed(30, 220, along[:, None] * across[None])
    far_mm = 400.0
    parameters = np.array(
        [10 * far_mm, 650.0, 500.0, 0.0, 0.0, 0.0, np.pi, 0.0, 0.0, -centre[0], centre[1], far_mm], dtype=np.float64
    )
    middle = np.array([[10.0, 0, 650 - 10 * centre[0]], [0, -10.0, 500 + 10 * centre[1]], [0, 0, 1]])
    sheet = SheetInPhoto(LAYOUT, np.arange(4), np.zeros((4, 2)), middle, 0.04, 0.5)
    camera = PosedCamera((sheet,), size, parameters, np.zeros((12, 12)), 0.0, (0.0,))
    return np.repeat(grey[..., None], 3, axis=2), camera


def _places(grow: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)) -> dict[str, float]:
    card = LAYOUT.card
    return {
        "left": card.left - grow[0],
        "right": card.right + grow[1],
        "bottom": card.bottom - grow[2],
        "top": card.top + grow[3],
    }


def test_each_edge_is_where_it_was_drawn() -> None:
    """Within a thirty-second of a pixel, to which OpenCV places samples; unlike on all four sides."""
    places = _places((0.31, -0.17, 0.23, 0.42))
    photo, camera = _step_sheet(places)
    for side, place in places.items():
        assert _edge_mm(photo[..., 0], camera, 0, LAYOUT, side) == pytest.approx(place, abs=0.0035)
    hidden = photo[..., 0].copy()
    for share, seen in ((0.38, True), (0.5, False)):
        # of the 69.6 mm of an edge that are looked at
        rows = hidden.copy()
        rows[:, : round(650 - 10 * (85.6 / 2 - 8 - 69.6 * share))] = 30
        found = _edge_mm(rows, camera, 0, LAYOUT, "top")
        assert (found is not None) == seen


def test_a_size_from_edges_that_are_known_exactly() -> None:
    """A print of 98 %: the card is as much larger, and by its thickness over the distance; both sides by precision."""
    nearer = 1 / (1 - 0.76 / 400)
    wide, high = 85.60 / 0.98 * nearer, 53.98 / 0.981 * nearer
    grow = ((wide - 85.60) / 2 + 0.1, (wide - 85.60) / 2 - 0.1, (high - 53.98) / 2 - 0.2, (high - 53.98) / 2 + 0.2)
    found = scale_from_card(*_step_sheet(_places(grow)))
    seen = np.array([wide, high]) / nearer
    precision = seen**2
    assert found.scale == pytest.approx(precision @ [0.98, 0.981] / precision.sum(), abs=8e-5)
    edges = np.sqrt(2) * 0.1 / 10 / np.hypot(*seen)
    assert found.standard_uncertainty == pytest.approx(np.hypot(edges, 0.0009), rel=1e-3)


def test_how_unlike_both_sides_of_a_card_may_be() -> None:
    """Three times 0.1 px at either end of both sides and 0.2 %: 0.613 % at 10 px/mm; beyond, it is another card."""
    for unlike, checked in ((0.0058, True), (0.0065, False), (-0.0058, True), (-0.0065, False)):
        wide = 85.60 * (1 + unlike) / 2 - 42.8
        assert scale_from_card(*_step_sheet(_places((wide, wide, 0.0, 0.0)))).checked == checked


def test_no_card_by_the_band_s_own_edges() -> None:
    """What is less than 0.7 mm larger than the band's window, either way, may be the band itself."""
    window = LAYOUT.card_window
    nearest = max((window.width_mm + 0.7) / CARD_WIDTH_MM, (window.height_mm + 0.7) / CARD_HEIGHT_MM)
    for larger, checked in ((0.997, False), (1.003, True)):
        x, y = ((nearest * larger - 1) * side / 2 for side in (CARD_WIDTH_MM, CARD_HEIGHT_MM))
        assert scale_from_card(*_step_sheet(_places((x, x, y, y)))).checked == checked
