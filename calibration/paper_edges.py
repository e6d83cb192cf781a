"""The edges of the paper itself, in units of what is printed on it.

Along each side of the page the photo is resampled into a strip: rows along the edge, columns outwards, both in
millimetres of the print.  An edge of the paper is a straight line in that strip along which the grey level changes by
a little everywhere in the same direction.  Each possible line (place and slope) gets the sum of the changes along it,
each change limited so that a few strong ones (a finger, a shadow's end) do not decide, over what chance would give;
a faint edge against a pale wall still adds up over its length.  Lines that stand out are returned as candidates;
which of them are the paper is decided where all four sides are looked at together (`print_scale`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture
from calibration.homography import apply_homography
from calibration.sheet_in_photo import SheetInPhoto

SIDES = ("left", "right", "bottom", "top")

_INWARDS_MM, _OUTWARDS_MM = 5.5, 15.0  # print at 1.035 of its size is seen, and at 0.92
_ENDS_MM = 6.0  # left out at either end of an edge
_LARGEST_SLOPE = 0.012  # a print turned on its paper by 0.7 degrees
_SLOPE_RANGE = np.linspace(-_LARGEST_SLOPE, _LARGEST_SLOPE, 17)
_STEP_PX = 0.4  # of a profile across an edge; our choice, finer than a blurred edge
_MOST_ROWS = 160  # profiles along an edge; our choice, more add nothing
_FEWEST_ROWS = 20  # profiles that make a line; our choice
_USUAL_ROWS = 4  # one of so many rows tells how much changes usually; our choice, neighbours are alike
_STAYS = 0.01  # columns by which a line's middle may still move when it is found
_CANDIDATES = 5  # lines looked at for one edge; our choice, shadows and folds lie beside it
_LEAST_STRENGTH = 5.0  # grey levels of the weakest line; our choice, noise has about two


@dataclass(frozen=True)
class EdgeCandidate:
    """A line that may be an edge of the paper.

    Attributes
    ----------
    place_mm : float
        Distance of its middle from the sheet's origin, outwards, in mm of the print.
    strength : float
        How far it stands out from chance, in standard deviations.
    uncertainty_mm : float
        Standard uncertainty of its place in mm.
    """

    place_mm: float
    strength: float
    uncertainty_mm: float


def edge_candidates(image: Picture, sheet: SheetInPhoto, side: str) -> tuple[EdgeCandidate, ...]:
    """Look for one edge of the paper.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    sheet : SheetInPhoto
        A sheet found in it.
    side : str
        One of `SIDES`, as seen on the upright page.

    Returns
    -------
    tuple of EdgeCandidate
        At most five, the strongest first.
    """
    strip, along_mm, outward_mm = _strip(image, sheet, side)
    if strip.shape[0] < _FEWEST_ROWS:
        return ()
    change, middle_mm, score = _lines(strip, along_mm, outward_mm)
    strongest = score.max(axis=0)
    nominal = _nominal_mm(sheet, side)
    step_mm = middle_mm[1] - middle_mm[0]
    apart = max(2, round(2.5 / sheet.px_per_mm / step_mm))
    candidates: list[EdgeCandidate] = []
    remaining = strongest.copy()
    for _ in range(_CANDIDATES):
        peak = int(remaining.argmax())
        if remaining[peak] < _LEAST_STRENGTH:
            break
        place = _centre_mm(change, along_mm, outward_mm, peak, float(_SLOPE_RANGE[score[:, peak].argmax()]))
        uncertainty = np.hypot(0.15 / sheet.px_per_mm, 2.0 / sheet.px_per_mm / strongest[peak])
        candidates.append(EdgeCandidate(nominal + place, float(strongest[peak]), float(uncertainty)))
        for taken in (peak, round((place - middle_mm[0]) / step_mm)):
            remaining[max(0, taken - apart) : max(0, taken + apart + 1)] = 0
    return tuple(candidates)


def _centre_mm(change: Floats, along_mm: Array, outward_mm: Array, peak: int, slope: float) -> float:
    """Place of a line, outwards of nominal: the middle of the change along it, which chance and covers hardly shift."""
    step_mm = outward_mm[1] - outward_mm[0]
    reach = round(2 / _STEP_PX)
    rows, columns, channels = change.shape
    offsets, leans = np.arange(-reach, reach + 1), slope * along_mm / step_mm
    flat, starts = np.moveaxis(change, 2, 0).reshape(channels, -1), columns * np.arange(rows)
    centre = float(peak)
    for _ in range(4):
        column = centre + offsets[:, None] + leans
        whole = np.floor(column).astype(int).clip(0, columns - 2)
        share = (column - whole).clip(0, 1).astype(change.dtype)
        at = starts + whole  # taken out of one long list, which is quicker than row by row
        aligned = np.sort(flat.take(at, axis=1) * (1 - share) + flat.take(at + 1, axis=1) * share, axis=2)
        # the middle half of the rows decides
        usual = aligned[:, :, rows // 4 : rows - rows // 4].mean(axis=2)
        profile = (usual[:, reach - 2 : reach + 3].sum(axis=1) @ usual).clip(0)
        if profile.sum() <= 0:
            break
        away = float(profile @ offsets / profile.sum())
        centre += away
        if abs(away) < _STAYS:
            break
    return float(outward_mm[0] + step_mm * (0.5 + centre))


def _nominal_mm(sheet: SheetInPhoto, side: str) -> float:
    page = sheet.layout.page
    return page.right if side in ("left", "right") else page.top


def _strip(
    image: Picture, sheet: SheetInPhoto, side: str, outwards_mm: float = _OUTWARDS_MM
) -> tuple[Floats, Array, Array]:
    """Strip (rows, columns, 3) along a side, and where its rows and columns are in mm along and outwards."""
    page = sheet.layout.page
    length = page.height_mm if side in ("left", "right") else page.width_mm
    rows = int(np.clip(length * sheet.px_per_mm / 1.5, 20, _MOST_ROWS))
    along = np.linspace(-length / 2 + _ENDS_MM, length / 2 - _ENDS_MM, rows)
    outward = np.arange(-_INWARDS_MM, outwards_mm, _STEP_PX / sheet.px_per_mm)
    far = (_nominal_mm(sheet, side) + outward) * (-1 if side in ("left", "bottom") else 1)
    upright = side in ("left", "right")
    across, down = np.meshgrid(far[[0, -1]], along)
    ends_px = apply_homography(sheet.homography, np.stack([across, down] if upright else [down, across], axis=2))
    # rows are straight lines in the photo as well: with both ends in it, all of a row is
    inside = ((ends_px >= 0) & (ends_px <= [image.shape[1] - 1, image.shape[0] - 1])).all(axis=(1, 2))
    along = along[inside]
    if len(along) < _FEWEST_ROWS:
        return np.empty((0, len(outward), 3), np.float32), along[:0], outward
    by_column = [far[1] - far[0], 0.0, far[0]]
    by_row = [0.0, along[1] - along[0], along[0]]
    to_sheet = np.array([by_column, by_row, [0, 0, 1]] if upright else [by_row, by_column, [0, 0, 1]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    strip = cv2.warpPerspective(image, sheet.homography @ to_sheet, (len(far), len(along)), flags=flags)
    smooth = cv2.GaussianBlur(strip, (5, 1), 1.0)
    # a channel in one piece of memory, here and in all that is made of it, is gone through several times as fast
    return np.moveaxis(np.array(cv2.split(smooth), np.float32), 0, 2), along, outward


def _lines(strip: Floats, along_mm: Array, outward_mm: Array) -> tuple[Floats, Array, Array]:
    """Changes outwards in a strip, where they are, and how far each line of them stands out (slopes, columns)."""
    change = np.diff(strip, axis=1)
    middle_mm = (outward_mm[1:] + outward_mm[:-1]) / 2
    return change, middle_mm, _line_scores(_limited(change), along_mm, middle_mm)


def _limited(change: Floats) -> Floats:
    """Changes limited to three times their usual size, channel by channel, in units of that size."""
    some = np.abs(change[::_USUAL_ROWS]).reshape(-1, change.shape[2])
    usual = np.maximum(1.4826 * np.median(some, axis=0), 0.05)
    return np.asarray(np.clip(change / usual.astype(change.dtype), -3, 3))


def _line_scores(change: Floats, along_mm: Array, outward_mm: Array) -> Array:
    """How far each line stands out, (slopes, columns): the change along it over what chance gives."""
    step_mm = outward_mm[1] - outward_mm[0]
    rows, columns, channels = change.shape
    spread = np.maximum(change.reshape(-1, channels).std(axis=0), 0.3)
    # neighbouring rows are alike: only every second one counts as independent
    independent = np.sqrt(rows / 2)
    shifts = np.round(_SLOPE_RANGE[:, None] * along_mm / step_mm).astype(int)
    furthest = int(np.abs(shifts).max())
    # sums from the first row on, row by row: along an inner axis NumPy's own take three times as long
    by_row = np.ascontiguousarray(np.moveaxis(change, 2, 1))
    above = np.array([*accumulate(by_row, initial=np.zeros((channels, columns), change.dtype))])
    wide = np.pad(above, ((0, 0), (0, 0), (furthest, furthest)), mode="edge")
    shifted = np.lib.stride_tricks.sliding_window_view(wide, columns, axis=2)  # (rows + 1, channels, shifts, columns)
    # rows that are shifted alike lie together: their sums are differences of the sums from the first row on
    line, before = np.nonzero(np.diff(shifts, axis=1, prepend=furthest + 1))
    after = np.append(before[1:], rows)
    after[after == 0] = rows
    by = furthest + shifts[line, before]
    begins = np.flatnonzero(before == 0)
    total = np.add.reduceat(shifted[after, :, by] - shifted[before, :, by], begins, axis=0)
    return np.asarray(np.sqrt(((total * (independent / rows / spread)[:, None]) ** 2).sum(axis=1) / channels))


_REACHES_MM = (40.0, 80.0, 160.0, 320.0)
"""How far beyond its nominal edge the paper is looked for, one after the other, as far as the photo goes: a page that
was printed at half its size, or as one of two on a paper, has 105 to 297 mm of its own measure beside it."""
_LEAST_BEYOND_MM = 18.0
"""Nearer edges are found with the print's size (`edge_candidates`)."""
_BLURRED_MM = 3.0
"""Before an edge, where blur mixes the levels of either side; our choice."""
_FAR_STRENGTH, NEAR_STRENGTH = 8.0, 6.0
"""From which a far line is an edge of the paper, and a near one speaks against it; our choice."""
_SAME_WHITE = 8.0
"""Grey levels by which a white margin may differ from its beginning, column by column; our choice: light falls off, and
a wall that is as white as paper all along is rare."""


def white_beyond_mm(image: Picture, sheet: SheetInPhoto, side: str) -> float | None:
    """How far white paper reaches beyond the nominal edge of a page, mm of the print; None where that is not seen.

    To be asked where no line near the nominal edge is stronger than `NEAR_STRENGTH`.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    sheet : SheetInPhoto
        A sheet found in it.
    side : str
        One of `SIDES`, as seen on the upright page.

    Returns
    -------
    float or None
        To where the white ends in a line along the whole side, between 18 and 320 mm; None as well where it ends
        outside the photo or is not the same white all the way.
    """
    found = (_first_edge_mm(*_strip(image, sheet, side, reach_mm)) for reach_mm in _REACHES_MM)
    return next((place_mm for place_mm in found if place_mm is not None), None)


def _first_edge_mm(strip: Floats, along_mm: Array, outward_mm: Array) -> float | None:
    """Where white ends in a strip; None where it does not, or is not the same white all the way."""
    if strip.shape[0] < _FEWEST_ROWS:
        return None
    score = _lines(strip, along_mm, outward_mm)[2].max(axis=0)
    levels = np.median(strip, axis=(0, 2))
    beyond = np.flatnonzero((outward_mm[1:] > _LEAST_BEYOND_MM) & (score > _FAR_STRENGTH))
    if not len(beyond):
        return None
    edge = int(beyond[0])
    edge += int(score[edge : edge + 8].argmax())
    white = levels[outward_mm < outward_mm[edge] - _BLURRED_MM]
    return float(outward_mm[edge]) if np.abs(white - white[0]).max() < _SAME_WHITE else None
