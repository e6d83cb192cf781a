"""Finding every reference sheet in a photo, with the saddle points of its board to a few hundredths of a pixel.

Four steps: markers are read (`markers`), from each sheet's markers the saddle points of its board are found
(`growing`), these are placed by fitting a blurred crossing at full resolution (`saddle`), and all markers of the board
together say which sheet it is (`identity`).  How well the points are
placed is told by how well they fit a plane seen in perspective.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Grey, Picture
from calibration.growing import grow_sheet
from calibration.identity import named
from calibration.markers import Marker, agreeing_markers, read_markers
from calibration.sampling import grey_photo
from calibration.sheet import all_layouts
from calibration.sheet_in_photo import SheetInPhoto

_SINGLE_MARKERS = 12
"""Of the markers read best so many are followed on their own, against one that misleads the others; our choice."""

_MIRRORED_MARKERS = 6
"""Markers that agree in the mirror, from which a photo is mirrored: the sample photos have 8 to 15 of 15 where they are
mirrored, and 3 at most where they are not."""

_LONGEST_SIDE_PX = 2600
"""Markers are looked for at this size at most; 5 megapixels pass whole.  Our choice between time and far sheets."""

_HALF = 0.5  # the least scale at which no pixel is passed over

_SECOND_LOOK = 2.0
"""How much larger the photo is looked at once more where nothing was found."""


def find_sheets(image: Picture) -> tuple[SheetInPhoto, ...]:
    """Find every reference sheet in a photo.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) ndarray of uint8
        The photo, RGB or grey.

    Returns
    -------
    tuple of SheetInPhoto
        The sheets found, the one with most saddle points first; empty where there is none.  Of two prints of the
        same sheet in one photo only one is found.
    """
    grey = grey_photo(image)
    fitting = min(1.0, _LONGEST_SIDE_PX / max(grey.shape))
    found: list[SheetInPhoto] = []
    for scale in (fitting, _SECOND_LOOK * fitting):
        found = _sheets_of(grey, read_markers(_resized(grey, scale), scale))
        if found:
            break
    return tuple(sorted(found, key=lambda sheet: -len(sheet.corner_index)))


def is_mirrored(image: Picture) -> bool:
    """Whether a photo in which no sheet is found shows one in the mirror, as front cameras may keep it.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) ndarray of uint8
        The photo, RGB or grey.
    """
    grey = np.ascontiguousarray(grey_photo(image)[:, ::-1])
    scale = min(1.0, _LONGEST_SIDE_PX / max(grey.shape))
    markers = read_markers(_resized(grey, scale), scale)
    of_sheets = ([marker for marker in markers if marker.layout == layout] for layout in all_layouts())
    return any(len(agreeing_markers(each)) >= _MIRRORED_MARKERS for each in of_sheets)


def _sheets_of(grey: Grey, markers: list[Marker]) -> list[SheetInPhoto]:
    """Sheets grown from the markers of each sheet that agree, then from single markers of sheets not found so."""
    found: list[SheetInPhoto] = []
    for layout in all_layouts():
        agreeing = agreeing_markers([marker for marker in markers if marker.layout == layout])
        if len(agreeing) > 1:
            _add(found, grey, grow_sheet(grey, layout, agreeing))
    for marker in markers[:_SINGLE_MARKERS]:
        if not any(sheet.layout == marker.layout or _covers(sheet, marker.centre_px) for sheet in found):
            _add(found, grey, grow_sheet(grey, marker.layout, [marker]))
    return found


def _add(found: list[SheetInPhoto], grey: Grey, sheet: SheetInPhoto | None) -> None:
    """Keep a grown sheet, as what it really is; of two in the same place or of the same name the first one stays."""
    if sheet is None:
        return
    markers = named(grey, sheet)
    if markers:
        sheet = grow_sheet(grey, markers[0].layout, markers)
    if (
        markers is None
        or sheet is None
        or any(sheet.layout == one.layout or _covers(one, _middle(sheet)) for one in found)
    ):
        return
    found.append(sheet)


def _middle(sheet: SheetInPhoto) -> Array:
    return np.asarray(sheet.outline_px.mean(axis=0))


def _covers(sheet: SheetInPhoto, point_px: Array) -> bool:
    outline = sheet.outline_px.astype(np.float32)
    return cv2.pointPolygonTest(outline, (float(point_px[0]), float(point_px[1])), False) > 0


def _resized(grey: Grey, scale: float) -> Grey:
    if scale == 1:
        return grey
    # down to half the size two by two pixels, weighed by distance, tell as much in a fifth of the time
    way = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_LINEAR if scale >= _HALF else cv2.INTER_AREA
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=way), dtype=np.uint8)
