"""The reference sheet: what is printed where, in millimetres.

The sheet carries a ChArUco board, a chessboard whose white squares hold square markers.  Scale is taken from the
saddle points where four squares meet: paper that is over-exposed spreads into the black from all sides alike, so a
saddle point stays where it is, while the outline of a black square does not.  A rim of partial squares runs round the
5 x 6 core, so that the core's own border consists of saddle points too: 6 x 7 of them over the whole board.  A wide
board matters: the tilt of the wall is known from the board's foreshortening, which grows with its width squared.

Each of four sheets in each of two paper sizes has 15 markers of its own, so that a marker tells which sheet, and which
paper, it is on.  Below the board: a check bar for a ruler, and a black frame into which a blank card can be laid.

Frame of reference of a sheet: origin at the centre of the page, x to the right, y up, z out of the paper, mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache, cached_property
from typing import Protocol

import cv2
import numpy as np

from calibration.arrays import Array, Mask

COLUMNS, ROWS = 5, 6
"""Whole squares of the board across and down; one with a marker and one black by turns, black at the top left."""

MARKERS_PER_SHEET = COLUMNS * ROWS // 2
SHEETS_PER_PAPER = 4
MARKER_BITS = 4
MARKER_MODULES = MARKER_BITS + 2
MARKER_SHARE = 0.78
"""Side of a marker over side of its square; the white that remains is about one module wide."""

CHECK_BAR_MM = 150.0
"""Length of the check bar: an ordinary school ruler is a little longer."""

CARD_WIDTH_MM, CARD_HEIGHT_MM = 85.60, 53.98
"""ISO/IEC 7810:2003, 5.1: nominal size of an ID-1 card."""
ROUND_CORNER_MM = 8.0
"""Left out at either end of a card's edge, mm: corners have a radius of about 3 mm, and cards are laid askew."""


PRINT_STRETCH_SD = 0.0015
"""Of the print's length over its width, relative to nominal: printers feed paper a little too far or too short.  One or
two tenths of a per cent in a present-day printer (from memory); older ones differed by more."""

FEWEST_GOOD_CORNERS = 12
"""Of 42: with fewer, the tilt of the sheet is known badly; our choice."""


class Layout(Protocol):
    """What a flat thing of known size must tell to be measured with: a printed sheet, a blank one, a card."""

    @property
    def name(self) -> str:
        """Name, e.g. ``"a4-1"``."""

    @property
    def page(self) -> Box:
        """Outline of the thing, mm."""

    @property
    def board(self) -> Box:
        """Outline of what its points span, mm."""

    @property
    def corner_mm(self) -> Array:
        """Its points (N, 3) in mm; z is 0."""

    @property
    def stretch_sd(self) -> float:
        """Standard deviation of its length over its width, relative to nominal."""

    @property
    def fewest_good_corners(self) -> int:
        """Fewest points with which its tilt is known well."""


class Paper(StrEnum):
    """Paper sizes that the sheet is made for: A4 (ISO 216) and Letter (ANSI/ASME Y14.1, 8.5 x 11 inches)."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def width_mm(self) -> float:
        """Width of the upright page, in mm."""
        return 210.0 if self is Paper.A4 else 215.9

    @property
    def height_mm(self) -> float:
        """Height of the upright page, in mm."""
        return 297.0 if self is Paper.A4 else 279.4


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle on the page, in mm of the sheet's frame (y up)."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width_mm(self) -> float:
        """Width, in mm."""
        return self.right - self.left

    @property
    def height_mm(self) -> float:
        """Height, in mm."""
        return self.top - self.bottom

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Centre (x, y), in mm."""
        return (self.left + self.right) / 2, (self.bottom + self.top) / 2

    @property
    def corners_mm(self) -> Array:
        """Corners (4, 2) in mm: top left, top right, bottom right, bottom left."""
        return np.array(
            [(self.left, self.top), (self.right, self.top), (self.right, self.bottom), (self.left, self.bottom)]
        )

    def grown(self, across_mm: float, along_mm: float) -> Box:
        """The same box made larger by `across_mm` left and right and by `along_mm` above and below.

        Examples
        --------
        >>> Box(0, 0, 10, 20).grown(1, 2)
        Box(left=-1, bottom=-2, right=11, top=22)
        """
        return Box(self.left - across_mm, self.bottom - along_mm, self.right + across_mm, self.top + along_mm)


@dataclass(frozen=True, slots=True)
class _Measures:
    """What differs between the papers, in mm from the page's upper left corner."""

    square_mm: float
    left_mm: float
    top_mm: float


RIM_MM = 6.0
"""Depth of the partial squares round the core."""

_MEASURES = {Paper.A4: _Measures(33.0, 12.0, 9.0), Paper.LETTER: _Measures(31.0, 20.0, 8.0)}
_TICK_MM = 4.0  # length of the bar's end marks
_BAND_ACROSS_MM, _BAND_ALONG_MM = 4.0, 2.0  # half widths of the card frame's black bands
_BAND_SPARE_MM = 2.0  # by how much a band reaches over what is looked at; our choice, far more than a camera is wrong


@dataclass(frozen=True)
class SheetLayout:
    """One of the eight sheets.

    Attributes
    ----------
    paper : Paper
        Paper size.
    index : int
        1 to 4; sheets of different index can be told apart in one photo.

    Raises
    ------
    ValueError
        If `index` is not 1, 2, 3 or 4.

    Examples
    --------
    >>> sheet = SheetLayout(Paper.A4, 1)
    >>> sheet.name, sheet.corner_mm.shape, sheet.page.width_mm
    ('a4-1', (42, 3), 210.0)
    """

    paper: Paper
    index: int

    def __post_init__(self) -> None:
        if not 1 <= self.index <= SHEETS_PER_PAPER:
            raise ValueError(f"a sheet's index is 1 to {SHEETS_PER_PAPER}, not {self.index}")

    @property
    def name(self) -> str:
        """Name of the sheet, e.g. ``"a4-1"``."""
        return f"{self.paper.value}-{self.index}"

    @property
    def stretch_sd(self) -> float:
        """Standard deviation of its length over its width, relative to nominal."""
        return PRINT_STRETCH_SD

    @property
    def fewest_good_corners(self) -> int:
        """Fewest points with which its tilt is known well."""
        return FEWEST_GOOD_CORNERS

    @property
    def square_mm(self) -> float:
        """Side of a square of the board, in mm."""
        return _MEASURES[self.paper].square_mm

    @property
    def page(self) -> Box:
        """The paper."""
        half_width, half_height = self.paper.width_mm / 2, self.paper.height_mm / 2
        return Box(-half_width, -half_height, half_width, half_height)

    @property
    def core(self) -> Box:
        """The whole squares of the board."""
        return self.board.grown(-RIM_MM, -RIM_MM)

    @property
    def board(self) -> Box:
        """The board with its rim of partial squares."""
        measures = _MEASURES[self.paper]
        left, top = self.page.left + measures.left_mm, self.page.top - measures.top_mm
        width, height = COLUMNS * self.square_mm + 2 * RIM_MM, ROWS * self.square_mm + 2 * RIM_MM
        return Box(left, top - height, left + width, top)

    @property
    def level_bar(self) -> Box:
        """The check bar below the board, end marks included: its width is `CHECK_BAR_MM`."""
        left = self.board.left
        top = (self.board.bottom + self.card_frame.top) / 2 + _TICK_MM / 2
        return Box(left, top - _TICK_MM, left + CHECK_BAR_MM, top)

    @property
    def card(self) -> Box:
        """Outline of the ID-1 card, along the middle of the card frame's bands."""
        left = self.board.left + _BAND_ACROSS_MM
        bottom = self.page.bottom + _MEASURES[self.paper].top_mm + _BAND_ALONG_MM
        return Box(left, bottom, left + CARD_WIDTH_MM, bottom + CARD_HEIGHT_MM)

    @property
    def card_frame(self) -> Box:
        """Outer edge of the black frame for the card."""
        return self.card.grown(_BAND_ACROSS_MM, _BAND_ALONG_MM)

    @property
    def card_window(self) -> Box:
        """Inner edge of the black frame for the card."""
        return self.card.grown(-_BAND_ACROSS_MM, -_BAND_ALONG_MM)

    @property
    def card_bands(self) -> tuple[Box, Box, Box, Box]:
        """The black of the card frame: not at its corners, where no edge is looked for, which saves a sixth of it."""
        frame, window = self.card_frame, self.card_window
        short = ROUND_CORNER_MM - _BAND_SPARE_MM
        seen = self.card.grown(-short, -short)
        return (
            Box(frame.left, seen.bottom, window.left, seen.top),
            Box(window.right, seen.bottom, frame.right, seen.top),
            Box(seen.left, frame.bottom, seen.right, window.bottom),
            Box(seen.left, window.top, seen.right, frame.top),
        )

    @property
    def print_height_mm(self) -> float:
        """From the board's upper edge straight down to the card frame's lower edge: as much as a ruler of 30 cm holds.

        Examples
        --------
        >>> [round(SheetLayout(paper, 1).print_height_mm, 3) for paper in Paper]
        [279.0, 263.4]
        """
        return self.board.top - self.card_frame.bottom

    @property
    def words(self) -> Box:
        """Room for words and drawings, to the right of the card frame."""
        return Box(self.card_frame.right + 5.0, self.card_frame.bottom, self.page.right - 12.0, self.card_frame.top)

    @cached_property
    def corner_mm(self) -> Array:
        """Saddle points (42, 3) of the board in mm, row by row from the top left; z is 0."""
        x = self.core.left + self.square_mm * np.arange(COLUMNS + 1)
        y = self.core.top - self.square_mm * np.arange(ROWS + 1)
        across, down = np.meshgrid(x, y)
        return np.column_stack([across.ravel(), down.ravel(), np.zeros(across.size)])

    @property
    def marker_ids(self) -> range:
        """Ids of the 15 markers in the dictionary of `marker_modules`, in the order of `marker_boxes`."""
        sheet = (self.index - 1) + (0 if self.paper is Paper.A4 else SHEETS_PER_PAPER)
        return range(sheet * MARKERS_PER_SHEET, (sheet + 1) * MARKERS_PER_SHEET)

    @cached_property
    def marker_boxes(self) -> tuple[Box, ...]:
        """Black outlines of the markers, row by row from the top left."""
        inset = self.square_mm * (1 - MARKER_SHARE) / 2
        return tuple(
            self.cell(column, row).grown(-inset, -inset)
            for row in range(ROWS)
            for column in range(COLUMNS)
            if not is_black(column, row)
        )

    def cell(self, column: int, row: int) -> Box:
        """Square of the board; column -1 and 5 and row -1 and 6 are the partial squares of the rim."""
        left = self.core.left + column * self.square_mm
        top = self.core.top - row * self.square_mm
        return Box(
            max(left, self.board.left),
            max(top - self.square_mm, self.board.bottom),
            min(left + self.square_mm, self.board.right),
            min(top, self.board.top),
        )


def is_black(column: int, row: int) -> bool:
    """Whether a square of the board, or a partial square of its rim, is black.

    Examples
    --------
    >>> is_black(0, 0), is_black(-1, 0)
    (True, False)
    """
    return (column + row) % 2 == 0


@cache
def all_layouts() -> tuple[SheetLayout, ...]:
    """Every sheet there is, in the order of their marker ids."""
    return tuple(SheetLayout(paper, index) for paper in Paper for index in range(1, SHEETS_PER_PAPER + 1))


@cache
def marker_modules() -> Mask:
    """Modules of all markers, (120, 6, 6), true where white; the outermost ring is black."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    count = len(all_layouts()) * MARKERS_PER_SHEET
    images = [cv2.aruco.generateImageMarker(dictionary, marker, MARKER_MODULES) for marker in range(count)]
    modules = np.stack(images).astype(bool)
    modules.setflags(write=False)
    return modules
