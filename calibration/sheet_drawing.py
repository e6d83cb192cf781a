"""The reference sheet as a page: drawn once, given out as a true-size PDF or as a picture."""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
from PIL import Image

from calibration.arrays import Mask, Picture
from calibration.sheet import (
    CHECK_BAR_MM,
    COLUMNS,
    MARKER_MODULES,
    ROWS,
    Box,
    SheetLayout,
    is_black,
    marker_modules,
)
from calibration.sheet_letters import Letters, broken, letters_of
from calibration.sheet_pictures import child_picture, instrument_picture, ruler_picture
from calibration.sheet_shapes import Rectangle, Shape, Text, draw_picture, write_pdf
from calibration.sheet_words import WORDS, SheetWords

_TEXT_MM, _LEAST_TEXT_MM, _HEADING_MM, _TITLE_MM, _BAR_WORDS_MM = 3.1, 2.2, 3.7, 3.4, 4.0
"""Heights of letters, mm; our choice: read at arm's length, the least only where a language runs long."""
_LINE = 1.28  # between two lines, in heights of the letters
_BAR_MM, _MARK_MM = 2.0, 1.0  # thickness of the check bar and of its end marks
_OUTLINE_MM = 0.4  # what holds the bands together to one frame, so that none is taken for the check bar


def sheet_image(layout: SheetLayout, dpi: float = 300, language: str = "en") -> Picture:
    """Draw the sheet as a grey picture.

    Parameters
    ----------
    layout : SheetLayout
        Which sheet.
    dpi : float
        Pixels per 25.4 mm.
    language : str
        Code of a language of `calibration.sheet_words`; anything else gives English.

    Returns
    -------
    (H, W) ndarray of uint8
        The whole page.

    Raises
    ------
    ValueError
        If `dpi` is not within 20 to 1200.
    """
    if not 20 <= dpi <= 1200:
        raise ValueError("the resolution must be 20 to 1200 dots per inch")
    return draw_picture(sheet_shapes(layout, language), layout.page, dpi)


def sheet_png(layout: SheetLayout, dpi: float = 300, language: str = "en") -> bytes:
    """Draw the sheet as a PNG file that knows its resolution; arguments and errors as of `sheet_image`."""
    buffer = io.BytesIO()
    Image.fromarray(sheet_image(layout, dpi, language)).save(buffer, "PNG", dpi=(dpi, dpi), optimize=True)
    return buffer.getvalue()


def sheet_pdf(layout: SheetLayout, language: str = "en") -> bytes:
    """Write the sheet as a PDF in true size."""
    words = WORDS.get(language, WORDS["en"])
    return write_pdf(sheet_shapes(layout, language), layout.page, f"{words.title} {layout.name}")


def sheet_shapes(layout: SheetLayout, language: str = "en") -> list[Shape]:
    """Everything that is printed on the sheet, in the order of printing."""
    words, letters = WORDS.get(language, WORDS["en"]), letters_of(language)
    return [
        *_board(layout),
        *_bar(layout, words, letters),
        *_card_frame(layout, words, letters),
        *_instructions(layout, words, letters),
    ]


def _board(layout: SheetLayout) -> Iterator[Shape]:
    for row in range(-1, ROWS + 1):
        for column in range(-1, COLUMNS + 1):
            if is_black(column, row):
                yield Rectangle(layout.cell(column, row))
    for box, modules in zip(layout.marker_boxes, marker_modules()[list(layout.marker_ids)], strict=True):
        yield Rectangle(box)
        yield from _white_modules(box, modules)


def _white_modules(box: Box, modules: Mask) -> Iterator[Shape]:
    side = box.width_mm / MARKER_MODULES
    for row, column in np.argwhere(modules):
        left, top = box.left + side * column, box.top - side * row
        yield Rectangle(Box(left, top - side, left + side, top), white=True)


def _bar(layout: SheetLayout, words: SheetWords, letters: Letters) -> Iterator[Shape]:
    """The check bar: heavy enough to be found at once, its length said in its middle."""
    bar = layout.level_bar
    x, y = bar.centre_mm
    half, room = _BAR_MM / 2, 12.0
    yield Rectangle(Box(bar.left, y - half, x - room, y + half))
    yield Rectangle(Box(x + room, y - half, bar.right, y + half))
    yield Rectangle(Box(bar.left, bar.bottom, bar.left + _MARK_MM, bar.top))
    yield Rectangle(Box(bar.right - _MARK_MM, bar.bottom, bar.right, bar.top))
    said = words.bar.format(length=f"{CHECK_BAR_MM:.0f}")
    yield Text((x, y - 1.4), _BAR_WORDS_MM, said, bold=True, centred=True, letters=letters)


def _card_frame(layout: SheetLayout, words: SheetWords, letters: Letters) -> Iterator[Shape]:
    """The frame for a card, with how to print and what the frame is for inside."""
    yield Rectangle(layout.card_frame)
    yield Rectangle(layout.card_frame.grown(-_OUTLINE_MM, -_OUTLINE_MM), white=True)
    yield from (Rectangle(band) for band in layout.card_bands)
    room = layout.card_window.grown(-4.0, -4.0)
    yield Text((room.left, room.bottom), _TITLE_MM, words.title, bold=True)
    yield Text((room.left + 24.0, room.bottom), _TITLE_MM, layout.name.upper())
    upper = Box(room.left, room.bottom + 18.0, room.right - 25.0, room.top)
    yield from _paragraph(upper, words.print_heading, words.print_steps, letters)
    yield from ruler_picture(Box(room.right - 22.0, upper.bottom + 5.0, room.right, room.top))
    yield from _wrapped(Box(room.left, room.bottom + 5.0, room.right, room.bottom + 16.5), words.card_note, letters)


def _instructions(layout: SheetLayout, words: SheetWords, letters: Letters) -> Iterator[Shape]:
    room = layout.words
    middle, picture_mm = (room.top + room.bottom) / 2, 37.0
    upper = Box(room.left, middle + 1.0, room.right - picture_mm - 2.0, room.top)
    yield from _paragraph(upper, words.child_heading, words.child_steps, letters)
    yield from child_picture(Box(room.right - picture_mm, room.top - 24.0, room.right, room.top))
    lower = Box(room.left, room.bottom, room.right - picture_mm - 2.0, middle - 1.0)
    yield from _paragraph(lower, words.instrument_heading, words.instrument_steps, letters)
    yield from instrument_picture(Box(room.right - picture_mm, room.bottom + 1.0, room.right, room.bottom + 23.0))


def _paragraph(room: Box, heading: str, words: str, letters: Letters) -> Iterator[Shape]:
    yield _line(room, room.top - _HEADING_MM, _HEADING_MM, heading, letters, bold=True)
    yield from _wrapped(Box(room.left, room.bottom, room.right, room.top - 1.6 * _HEADING_MM), words, letters)


def _wrapped(room: Box, words: str, letters: Letters) -> Iterator[Shape]:
    """Words as lines in a room, in the largest letters with which they fit."""
    said = words.format(length=f"{CHECK_BAR_MM:.0f}")
    size_mm = _TEXT_MM
    lines = broken(said, room.width_mm, size_mm, letters)
    while len(lines) * _LINE * size_mm > room.height_mm and size_mm > _LEAST_TEXT_MM:
        size_mm -= 0.05
        lines = broken(said, room.width_mm, size_mm, letters)
    for number, line in enumerate(lines):
        yield _line(room, room.top - size_mm - number * _LINE * size_mm, size_mm, line, letters)


def _line(room: Box, y: float, size_mm: float, words: str, letters: Letters, bold: bool = False) -> Text:
    """A line of words that begins where its language begins: at the left or the right edge of the room."""
    x = room.right - letters.width_mm(words, size_mm, bold) if letters.from_right else room.left
    return Text((x, y), size_mm, words, bold, letters=letters)
