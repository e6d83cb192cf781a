"""The size of the print from a blank card laid into the printed frame.

An ID-1 card is made far more exactly than paper is cut: 85.60 x 53.98 mm to about 0.15 % (ISO/IEC 7810; the limits from
memory).  It is laid on four black bands whose middles are the card's edges, so that a pale card's edges are seen
against black whatever the card's brightness; at its round corners nothing is looked at, and the frame is an outline
only.  In millimetres of the print the card is as much too large as the print is too small.  Without a card the inner
edges of the bands are seen where they are printed, and nothing is measured.

A card lies its own thickness above the sheet and so looks larger by thickness over distance, 0.1 % at 0.8 m.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from calibration.camera import PosedCamera
from calibration.print_scale import UNCHECKED, PrintScale, measured_by_ruler
from calibration.sampling import grey_photo
from calibration.sheet import CARD_HEIGHT_MM, CARD_WIDTH_MM, ROUND_CORNER_MM, SheetLayout

CARD_THICKNESS_MM = 0.76
"""ISO/IEC 7810:2003: 0.76 +- 0.08 mm."""

_CARD_RELATIVE_U = 0.0009  # limits of +-0.15 % taken as rectangular
_WHITE, _GAMMA = 255.0, 2.2
"""Grey level of white, and the power of it that is about as much light (IEC 61966-2-1).  Half-way between the grey
levels of a pale card and black lies a fifth of the card's light: edges found there made cards 0.4 to 0.7 % too large on
six rendered sequences (`vision.training.lying --card`), half-way in light -0.2 to 0.2, on the mean 0.03."""
_EDGE_PX = 0.1  # of a fitted edge, systematic: pale paper and card spread into black
_ROWS = 60  # places along an edge at which it is looked for; our choice: one in a millimetre
_SEEN_SHARE = 0.6  # of the rows must show the edge
_LEAST_CONTRAST = 20.0  # grey levels between the card and the band
_WINDOW_CLEAR_MM = 0.7  # an edge this near to the band's own inner edge is no card


def scale_from_card(image: Picture, camera: PosedCamera, number: int = 0) -> PrintScale:
    """Measure a card that lies in the frame of a sheet.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB, from which `camera` was found.
    camera : PosedCamera
        The camera.
    number : int
        Which of the camera's sheets.

    Returns
    -------
    PrintScale
        `UNCHECKED` where no card lies in the frame, or a dark one.
    """
    layout = camera.sheets[number].layout
    if not isinstance(layout, SheetLayout):
        return UNCHECKED
    px_per_mm = camera.sheets[number].px_per_mm
    window = layout.card_window
    sizes_mm = []
    for low, high, open_mm in (("left", "right", window.width_mm), ("bottom", "top", window.height_mm)):
        near, far = (_edge_mm(image, camera, number, layout, side) for side in (low, high))
        if near is None or far is None or far - near < open_mm + _WINDOW_CLEAR_MM:
            return UNCHECKED
        sizes_mm.append(far - near)
    distance_mm = float(np.linalg.norm(camera.sheet_frame(number)[1] - camera.position_mm))
    sizes = np.array(sizes_mm) * (1 - CARD_THICKNESS_MM / distance_mm)
    true = np.array([CARD_WIDTH_MM, CARD_HEIGHT_MM])
    scales = true / sizes
    variances = 2 * (_EDGE_PX / px_per_mm / sizes) ** 2
    precision = 1 / variances
    scale = float(precision @ scales / precision.sum())
    if abs(scales[0] - scales[1]) > 3 * float(np.sqrt(variances.sum() + 0.002**2)):
        return UNCHECKED  # something else lies there, or another card
    uncertainty = float(np.hypot(np.sqrt(1 / precision.sum()), _CARD_RELATIVE_U))
    return measured_by_ruler(scale, uncertainty)


def _edge_mm(image: Picture, camera: PosedCamera, number: int, layout: SheetLayout, side: str) -> float | None:
    """Where a pale thing in the frame ends, in mm of the print along x or y; None where it does not on the band."""
    card, frame, window = layout.card, layout.card_frame, layout.card_window
    upright = side in ("left", "right")
    low, high = (card.bottom, card.top) if upright else (card.left, card.right)
    along = np.linspace(low + ROUND_CORNER_MM, high - ROUND_CORNER_MM, _ROWS)
    inner, outer = {
        "left": (window.left, frame.left),
        "right": (window.right, frame.right),
        "bottom": (window.bottom, frame.bottom),
        "top": (window.top, frame.top),
    }[side]
    outwards = np.sign(outer - inner)
    across = np.arange(inner - 1.5 * outwards, outer, 0.3 * outwards / camera.sheets[number].px_per_mm)
    if len(across) < 6:
        return None
    strip = _strip(image, camera, number, across, along, upright)
    clear = np.median(strip[:, :2], axis=1) - strip.min(axis=1) >= _LEAST_CONTRAST
    strip = (strip / _WHITE) ** _GAMMA  # lenses blur light, not grey levels
    middle = (np.median(strip[:, :2], axis=1) + strip.min(axis=1)) / 2
    below = strip < middle[:, None]
    last, row = below.argmax(axis=1), np.arange(len(strip))
    seen = clear & below.any(axis=1) & (last > 0)
    last, row, level = last[seen], row[seen], middle[seen]
    share = (strip[row, last - 1] - level) / (strip[row, last - 1] - strip[row, last])
    places = across[last - 1] + share * (across[last] - across[last - 1])
    return float(np.median(places)) if len(places) > _SEEN_SHARE * _ROWS else None


def _strip(image: Picture, camera: PosedCamera, number: int, across: Array, along: Array, upright: bool) -> Array:
    """Grey levels (rows along the edge, columns across it) on a sheet."""
    second, first = np.meshgrid(along, across, indexing="ij")
    x, y = (first, second) if upright else (second, first)
    rotation, shift = camera.sheet_frame(number)
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) @ rotation.T + shift
    at = camera.project(points).reshape(*x.shape, 2).astype(np.float32)
    strip = np.asarray(cv2.remap(image, at, None, cv2.INTER_LINEAR), dtype=np.uint8)
    return grey_photo(strip).astype(np.float64)
