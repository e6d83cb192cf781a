"""The camera of a photo, with the size of each print checked by all that the photo and the family tell.

Two checks need no camera: the paper's own edges, and the bar, or the whole print, that the family measured.  The third,
a card laid into a sheet's frame, is measured in the view of a camera to which every print is in true size.  Where a
print is not, the camera is solved once more with the sizes found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Picture
from calibration.blank import Blank
from calibration.blank_sheet import find_blank
from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.card import scale_from_card
from calibration.detection import find_sheets, is_mirrored
from calibration.homography import apply_homography
from calibration.lens import Frame, StatedLens
from calibration.print_scale import PrintScale, combined_scale, scale_from_bar, scale_from_paper
from calibration.problems import (
    BAR_LENGTH,
    BLANK_SHEET_UNLIKE,
    PHOTO_CUT,
    PHOTO_MIRRORED,
    PRINT_SCALE,
    PRINT_SCALE_DISAGREES,
    PRINT_SCALE_UNSURE,
    PRINTED_SMALL,
    SHEETS_APART,
    Problem,
    Refused,
)
from calibration.sheet import SheetLayout
from calibration.sheet_in_photo import SheetInPhoto

_WINDOW_MM = 2.2
"""How near corners have to be to the printed window's to be those: half as far as a card's own are; our choice."""
_TOGETHER_DEG, _TOGETHER_MM = 0.7, 2.0
"""How exactly two pages lie side by side that one printing put there; nobody hangs two sheets so.  Our choice."""
_DISBELIEVED = 18.5
"""Of `PosedCamera.disbelief`, from which a picture is not the whole frame of the lens that was believed: one frame in a
thousand is so far off, by chance (chi-squared of four degrees of freedom, any handbook of statistics)."""

_AGREED = 9.5
"""The same, below which it may be: nineteen frames of twenty are."""
_SHORTER_SDS = -1.0
"""Of a stated focal length, from which one that is not believed is too long; our choice: where the sheets tell little
of it, much of what contradicts it is borne by the principal point."""


@dataclass(frozen=True)
class CheckedCamera:
    """A camera and the prints it was found from.

    Attributes
    ----------
    camera : PosedCamera
        Solved with the prints' sizes as found.
    prints : mapping of str to PrintScale
        How large each sheet was printed, by its name.
    remarks : tuple of Problem
        ``photo_cut`` where the picture does not show all that the camera took; ``print_scale`` where a print is not in
        true size by a ruler, ``print_scale_unsure`` where it may not be by the paper's edges alone,
        ``print_scale_disagrees`` where the checks contradict one another.
    """

    camera: PosedCamera
    prints: Mapping[str, PrintScale]
    remarks: tuple[Problem, ...]


def reference_camera(
    image: Picture,
    lens: StatedLens,
    surface: Surface,
    bar_mm: float | None = None,
    reference: Blank | None = None,
    first: str | None = None,
) -> CheckedCamera:
    """Find what has a known size in a photo, and the camera with it.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    lens : StatedLens
        What the photo's file says of its lens.
    surface : Surface
        What the reference is fixed to.
    bar_mm : float, optional
        Length of a printed sheet's check bar, or of its whole print, as the family measured it, mm.
    reference : Blank, optional
        The blank paper or card that lies there; None for the printed sheet.
    first : str, optional
        Name of the printed sheet that is the frame of reference; the one that is seen best, if it is not there.

    Returns
    -------
    CheckedCamera
        The camera with the references' sizes.

    Raises
    ------
    Refused
        As `checked_camera` or `find_blank`; ``photo_mirrored`` where the sheet is seen in the mirror only;
        ``blank_sheet_unlike`` where what looks like a card is printed.
    """
    if reference is None:
        sheets = sorted(find_sheets(image), key=lambda sheet: sheet.layout.name != first)
        if not sheets and is_mirrored(image):
            raise Refused(PHOTO_MIRRORED)
        return checked_camera(image, sheets, lens, surface, bar_mm)
    found = find_blank(image, reference, lens, surface)
    if reference is Blank.CARD and any(is_card_window(found.camera.sheets[0], sheet) for sheet in find_sheets(image)):
        raise Refused(BLANK_SHEET_UNLIKE)
    return CheckedCamera(found.camera, found.scales, (*_of_frame(found.camera), *found.remarks))


def is_card_window(card: SheetInPhoto, sheet: SheetInPhoto) -> bool:
    """Whether what was taken for a card is the white within the frame that a sheet has printed for one.

    It has nearly a card's proportions and is a tenth smaller; a card that lies in the frame covers it.
    """
    if not isinstance(sheet.layout, SheetLayout):
        return False
    corners_mm = apply_homography(np.linalg.inv(sheet.homography), card.corner_px)
    window_mm = sheet.layout.card_window.corners_mm
    away_mm = np.linalg.norm(corners_mm[:, None] - window_mm[None], axis=2).min(axis=1)
    return bool(away_mm.max() < _WINDOW_MM)


def checked_camera(
    image: Picture,
    sheets: Sequence[SheetInPhoto],
    lens: StatedLens,
    surface: Surface,
    bar_mm: float | None = None,
) -> CheckedCamera:
    """Solve the camera and check the prints.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    sheets : sequence of SheetInPhoto
        The sheets found in it.
    lens : StatedLens
        What the photo's file says of its lens.
    surface : Surface
        What the sheets are fixed to.
    bar_mm : float, optional
        Length of a check bar or of a whole print as the family measured it, mm; taken to hold for all sheets, which
        one printer made.

    Returns
    -------
    CheckedCamera
        The camera with the prints' sizes.

    Raises
    ------
    Refused
        As `solve_camera`; ``printed_small`` where the print is far from its true size; ``sheets_apart`` where the
        sheets do not lie in one plane; ``bar_length`` where what was measured cannot be the bar.
    """
    try:
        told = [[] if bar_mm is None else [scale_from_bar(bar_mm, _whole_mm(sheet))] for sheet in sheets]
    except ValueError:
        raise Refused(BAR_LENGTH) from None
    size_px = (image.shape[1], image.shape[0])
    camera = _believed(solve_camera(sheets, size_px, lens, surface), surface)
    checks = {
        sheet.layout.name: [scale_from_paper(image, sheet), scale_from_card(image, camera, number), *told[number]]
        for number, sheet in enumerate(sheets)
    }
    if bar_mm is None and (any(each[0].far_off for each in checks.values()) or _printed_together(camera)):
        raise Refused(PRINTED_SMALL)
    combined = {name: combined_scale(each) for name, each in checks.items()}
    prints = {name: scale for name, (scale, _) in combined.items()}
    scales = {name: print_scale.scale for name, print_scale in prints.items()}
    if any(scale != 1.0 for scale in scales.values()):
        camera = solve_camera(sheets, size_px, camera.lens, surface, scales)
    remarks = _of_frame(camera)
    if any(contradicted for _, contradicted in combined.values()):
        remarks.append(PRINT_SCALE_DISAGREES)
    suspected = [scale for scale in prints.values() if scale.suspected]
    if any(scale.ruler for scale in suspected):
        remarks.append(PRINT_SCALE)
    elif suspected:
        remarks.append(PRINT_SCALE_UNSURE)
    return CheckedCamera(camera, prints, tuple(remarks))


def _believed(camera: PosedCamera, surface: Surface) -> PosedCamera:
    """The camera, solved anew where the sheets contradict what was believed of the whole frame: as of a part of it.

    A cut makes a lens look longer.  Where it looks shorter than the file says, the file's number is wrong, as that of
    another lens of the phone is, and is forgotten.
    """
    if camera.lens.frame is Frame.CUT or camera.lens.film or camera.disbelief < _DISBELIEVED:
        return camera
    if len(camera.sheets) > 1:
        apart = solve_camera(camera.sheets, camera.image_size_px, camera.lens, Surface.ANY)
        if apart.disbelief < _DISBELIEVED:  # each sheet by itself agrees with the lens: it is their planes that do not
            raise Refused(SHEETS_APART)
    if camera.lens.misfit(camera.focal35_mm, camera.image_size_px) < _SHORTER_SDS:
        unstated = _without_statement(camera, surface)
        if unstated is not None:
            return unstated
    return solve_camera(camera.sheets, camera.image_size_px, replace(camera.lens, frame=Frame.CUT), surface)


def _without_statement(camera: PosedCamera, surface: Surface) -> PosedCamera | None:
    """The camera as of a whole frame whose file states no lens; None where the sheets contradict that, too."""
    try:
        found = solve_camera(camera.sheets, camera.image_size_px, replace(camera.lens, focal35_mm=None), surface)
    except Refused:  # as of a lens that no whole frame is taken through
        return None
    return found if found.disbelief < _AGREED else None


def _printed_together(camera: PosedCamera) -> bool:
    """Whether two sheets lie as two pages that were printed side by side on one paper, at a part of their size."""
    first = camera.sheets[0].layout.page
    for number in range(1, len(camera.sheets)):
        turn, shift_mm = camera.sheet_frame(number)
        straight = np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))) < _TOGETHER_DEG
        sides = np.abs(shift_mm[:2]) - [[first.width_mm, 0.0], [0.0, first.height_mm]]
        if straight and (np.abs(sides).max(axis=1) < _TOGETHER_MM).any():
            return True
    return False


def _of_frame(camera: PosedCamera) -> list[Problem]:
    """What is to be said of a picture that does not show the whole of its frame."""
    return [PHOTO_CUT] if camera.lens.frame is Frame.CUT or camera.lens.zoomed else []


def _whole_mm(sheet: SheetInPhoto) -> float | None:
    """Length of the whole print of a sheet in true size, mm."""
    return sheet.layout.print_height_mm if isinstance(sheet.layout, SheetLayout) else None
