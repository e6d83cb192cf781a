"""What is wrong with the sheets in a photo, as far as the sheets themselves show it."""

from __future__ import annotations

from calibration.blank_sheet import is_blank
from calibration.camera import PosedCamera
from calibration.problems import (
    BLANK_BENT,
    BLANK_TOO_SMALL,
    SHEET_BENT,
    SHEET_BLURRED,
    SHEET_HIDDEN,
    SHEET_TOO_SMALL,
    Problem,
)

SMALLEST_PX_PER_MM = 0.3
"""Below it corners scatter by more than a fifth of a pixel, half a millimetre and more; measured on our scenes, whose
sheets are read down to 0.32 px/mm."""

MOST_BLUR_MM = 2.5
"""Standard deviation of the blur: the white between a marker and its neighbours, 3.6 mm, is hardly seen; our choice."""

_BENT_PX, _BENT_MM = 0.15, 0.2
"""Bend (`calibration.sheet_bends.bend_px`) beyond which a sheet is called so; of 195 flat sheets of three renderers,
some of them noisy, none reaches six tenths of it."""
_MOST_BOW_MM = 10.0
"""A sheet that bows by more is not fixed; what bows do to lengths is measured up to 8 mm
(`tests/calibration/test_bends.py`).  Our choice."""


def sheet_problems(camera: PosedCamera) -> tuple[Problem, ...]:
    """Judge the sheets from which a camera was found.

    Parameters
    ----------
    camera : PosedCamera
        As `solve_camera` gives it.

    Returns
    -------
    tuple of Problem
        ``sheet_hidden``, ``sheet_too_small`` and ``sheet_blurred`` where that is so of every sheet, ``sheet_bent``
        where it is so of any; each at most once.  A blank thing's blur is not measured: where it would be too much,
        the thing is too small.
    """
    problems = []
    blank = is_blank(camera)
    if all(len(sheet.corner_index) < sheet.layout.fewest_good_corners for sheet in camera.sheets):
        problems.append(SHEET_HIDDEN)
    blurred = all(sheet.blur_px > MOST_BLUR_MM * sheet.px_per_mm for sheet in camera.sheets)
    if all(sheet.px_per_mm < SMALLEST_PX_PER_MM for sheet in camera.sheets) or (blank and blurred):
        problems.append(BLANK_TOO_SMALL if blank else SHEET_TOO_SMALL)
    if blurred and not blank:
        problems.append(SHEET_BLURRED)
    bends = zip(camera.sheets, camera.bend_px, strict=True)
    creased = any(bend > max(_BENT_PX, _BENT_MM * sheet.px_per_mm) for sheet, bend in bends)
    if creased or any(bow > _MOST_BOW_MM for bow in camera.bow_mm):
        problems.append(BLANK_BENT if blank else SHEET_BENT)
    return tuple(problems)
