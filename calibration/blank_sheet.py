"""A blank sheet of paper or an ID-1 card as the only thing of known size.

Half of families have no printer.  A blank sheet of A4 or Letter paper, or a plastic card, has four corners at known
distances, though paper is cut to +-2 mm only.  Three steps:

1. Pale quadrangles with straight sides are looked for (`quadrangles`).
2. Which paper: under each candidate size a camera is solved (`camera`), and the misfit of four corners (two more
   coordinates than a pose has unknowns) says how probable each is, by Bayes' rule with even odds beforehand.
3. How sure: the paper's tolerance as a rectangular distribution, along both sides, and what a phone's tone curve can
   move edges of white paper (`print_scale.EDGE_SHIFT_PX`).

A side that bows more than a lens does shows paper that is not flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calibration.arrays import Array, Picture
from calibration.blank import Blank
from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.homography import fit_homography
from calibration.lens import NOTHING_STATED, StatedLens
from calibration.print_scale import EDGE_SHIFT_PX, PrintScale
from calibration.problems import BLANK_BENT, BLANK_SHEET_UNLIKE, NO_BLANK_SHEET, WHICH_PAPER, Problem, Refused
from calibration.quadrangles import Quadrangle, alike, blank_quadrangles
from calibration.sheet import Box
from calibration.sheet_in_photo import SheetInPhoto


@dataclass(frozen=True)
class BlankLayout:
    """A blank thing as a reference; frame as of a printed sheet: origin at its centre, x right, y up, z towards us."""

    blank: Blank
    index: int = 1

    @property
    def name(self) -> str:
        """Name, e.g. ``"blank-a4-1"``."""
        return f"blank-{self.blank.value}-{self.index}"

    @property
    def page(self) -> Box:
        """Its outline, mm."""
        width, height = self.blank.size_mm
        return Box(-width / 2, -height / 2, width / 2, height / 2)

    @property
    def board(self) -> Box:
        """Its outline: the corners are its points."""
        return self.page

    @cached_property
    def corner_mm(self) -> Array:
        """Corners (4, 3): top left, top right, bottom right, bottom left, mm."""
        return np.column_stack([self.page.corners_mm, np.zeros(4)])

    @property
    def _side_u(self) -> Array:
        """Relative standard uncertainties (2,) of width and height."""
        return np.asarray(self.blank.tolerance_mm / np.sqrt(3) / np.array(self.blank.size_mm))

    @property
    def stretch_sd(self) -> float:
        """Standard deviation of height over width, relative to nominal."""
        return float(np.hypot(*self._side_u))

    @property
    def scale_u(self) -> float:
        """Relative standard uncertainty of the mean of both sides."""
        return float(np.hypot(*self._side_u)) / 2

    @property
    def fewest_good_corners(self) -> int:
        """All four."""
        return 4


def is_blank(camera: PosedCamera) -> bool:
    """Whether a camera was found from blank paper or a card instead of a printed sheet."""
    return isinstance(camera.sheets[0].layout, BlankLayout)


_CORNER_PX = 0.12
"""Standard uncertainty of a corner's coordinate; on rendered scenes seen paper edges lie within 0.12 px (one standard
deviation) of the true ones."""

_BOW_SHARE = 0.004
"""Of a side's length, beyond which its bow shows paper that is not flat: a lens of k1 = 0.015 bows a side that fills
half of the photo by 0.2 %, a sheet that stands off by 10 mm at 1.5 m by 0.5 %; our choice."""

_WORST_MISFIT = 13.8
"""Chi-squared of four corners under their best size, with two degrees of freedom: 0.1 % of sheets have more."""

_SURE = 0.95
"""Probability from which a paper is taken for told."""


@dataclass(frozen=True)
class BlankReference:
    """Blank things found in a photo, with the camera that saw them.

    Attributes
    ----------
    camera : PosedCamera
        The camera; its sheets are the blank things, the largest first.
    scales : dict of str to PrintScale
        How exactly each is made, by its name.
    probability : dict of Blank to float
        How probable each size is, by the corners alone.
    remarks : tuple of Problem
        ``sheet_bent``, ``blank_sheet_unlike`` where what was stated does not fit, and nothing else does better.
    """

    camera: PosedCamera
    scales: dict[str, PrintScale]
    probability: dict[Blank, float]
    remarks: tuple[Problem, ...]


def find_blank(
    image: Picture,
    stated: Blank | None,
    lens: StatedLens = NOTHING_STATED,
    surface: Surface = Surface.ANY,
) -> BlankReference:
    """Find blank paper or a card in a photo, and solve the camera from it.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    stated : Blank or None
        What lies there, as the family says; None where they do not know.
    lens : StatedLens
        What the photo's file says of its lens.
    surface : Surface
        What it is fixed to.

    Returns
    -------
    BlankReference
        The camera with the things it was found from.

    Raises
    ------
    Refused
        ``no_blank_sheet`` where none is seen, white on white included; ``which_paper`` where nobody says which it is
        and the photo does not tell; ``blank_sheet_unlike`` where it tells of another; as `solve_camera`.
    """
    size_px = (image.shape[1], image.shape[0])
    quadrangles = blank_quadrangles(image)
    quadrangle, cameras = _largest(quadrangles, size_px, lens, surface)
    probability = _probabilities(cameras)
    likeliest = max(probability, key=lambda blank: probability[blank])
    if stated is None and probability[likeliest] < _SURE:
        raise Refused(WHICH_PAPER)
    blank = stated or likeliest
    if blank not in cameras:
        raise Refused(BLANK_SHEET_UNLIKE)
    remarks = [BLANK_BENT] if quadrangle.bow > _BOW_SHARE else []
    if probability[blank] < 1 - _SURE:  # every length would be that of another paper
        raise Refused(BLANK_SHEET_UNLIKE, *remarks)
    if _cost(cameras[blank]) > _WORST_MISFIT:
        remarks.append(BLANK_SHEET_UNLIKE)
    camera = cameras[blank]
    scales = {sheet.layout.name: _scale(sheet) for sheet in camera.sheets}
    found = BlankReference(camera, scales, probability, tuple(remarks))
    return _with_further(quadrangles, found, surface)


def _largest(
    quadrangles: Sequence[Quadrangle], size_px: tuple[int, int], lens: StatedLens, surface: Surface
) -> tuple[Quadrangle, dict[Blank, PosedCamera]]:
    """The largest quadrangle that may be one of the things, and the camera under each size that is possible."""
    for quadrangle in quadrangles:
        cameras = {}
        for blank in Blank:
            with suppress(Refused):  # a size that needs a lens that phones do not have
                cameras[blank] = _camera(quadrangle, blank, 1, size_px, lens, surface)
        if cameras and min(_cost(camera) for camera in cameras.values()) < _WORST_MISFIT:
            return quadrangle, cameras
    raise Refused(NO_BLANK_SHEET)


def _camera(
    quadrangle: Quadrangle,
    blank: Blank,
    index: int,
    size_px: tuple[int, int],
    lens: StatedLens,
    surface: Surface,
) -> PosedCamera:
    """The camera if the quadrangle were that thing, whichever way it lies."""
    layout = BlankLayout(blank, index)
    top = int(quadrangle.corner_px[:, 1].argmin())
    cameras = []
    for first in (top, top - 1):
        corner_px = np.roll(quadrangle.corner_px, -first, axis=0)
        way = fit_homography(layout.page.corners_mm, corner_px)
        sheet = SheetInPhoto(layout, np.arange(4), corner_px, way, _CORNER_PX, 1.0)
        with suppress(Refused):  # the other way round it may need a lens that phones do not have
            cameras.append(solve_camera([sheet], size_px, lens, surface))
    if not cameras:
        raise Refused(BLANK_SHEET_UNLIKE)
    return min(cameras, key=lambda camera: _cost(camera))


def _cost(camera: PosedCamera) -> float:
    """Chi-squared of corners, of the sides' proportion and of the focal length that the photo states."""
    stretch = float(camera.parameters[5]) / camera.sheets[0].layout.stretch_sd
    focal = camera.lens.misfit(camera.focal35_mm, camera.image_size_px)
    return camera.chi_square + stretch**2 + focal**2


def _probabilities(cameras: dict[Blank, PosedCamera]) -> dict[Blank, float]:
    """How probable each size is, if all are as likely beforehand."""
    costs = np.array([_cost(camera) for camera in cameras.values()])
    weights = np.exp(-0.5 * (costs - costs.min()))
    return dict(zip(cameras, (float(weight) for weight in weights / weights.sum()), strict=True))


def _scale(sheet: SheetInPhoto) -> PrintScale:
    """How exactly a blank thing's size is known: how it is made, and how its edges are seen."""
    layout = sheet.layout
    assert isinstance(layout, BlankLayout)
    sides_px = np.linalg.norm(np.roll(sheet.corner_px, -1, axis=0) - sheet.corner_px, axis=1)
    seen_u = 2 * EDGE_SHIFT_PX / np.sqrt(3) * float((1 / sides_px).mean())
    u = float(np.hypot(layout.scale_u, seen_u))
    return PrintScale(1.0, u, checked=True, measured=1.0, measured_uncertainty=u, blank=True)


def _with_further(quadrangles: Sequence[Quadrangle], found: BlankReference, surface: Surface) -> BlankReference:
    """Add further blank things of the same size that lie in the same plane, each of which makes it surer."""
    first = found.camera.sheets[0]
    layout = first.layout
    assert isinstance(layout, BlankLayout)
    sheets: Sequence[SheetInPhoto] = found.camera.sheets
    camera = found.camera
    for quadrangle in quadrangles:
        if any(alike(quadrangle.corner_px, sheet.corner_px) for sheet in sheets):
            continue
        try:
            alone = _camera(quadrangle, layout.blank, len(sheets) + 1, camera.image_size_px, camera.lens, surface)
        except Refused:
            continue
        if _cost(alone) > _WORST_MISFIT:
            continue
        together = solve_camera([*sheets, alone.sheets[0]], camera.image_size_px, camera.lens, surface)
        if together.chi_square < _WORST_MISFIT * (len(sheets) + 1):
            camera, sheets = together, together.sheets
    scales = {sheet.layout.name: _scale(sheet) for sheet in sheets}
    return replace(found, camera=camera, scales=scales)
