"""The reference sheet as a page: drawn once, given out as a true-size PDF or as a picture."""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from PIL import Image

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
from calibration.sheet_pictures import child_picture, instrument_picture
from calibration.sheet_shapes import Rectangle, Shape, Text, draw_picture, write_pdf
from calibration.sheet_words import WORDS, SheetWords

_SMALL_MM, _HEADING_MM, _TITLE_MM = 2.5, 3.0, 4.0
_LINE_MM = 3.45
_BAR_MM = 1.0  # thickness of the check bars and of their end marks


def sheet_image(layout: SheetLayout, dpi: float = 300, language: str = "en") -> NDArray[np.uint8]:
    """Draw the sheet as a grey picture.

    Parameters
    ----------
    layout : SheetLayout
        Which sheet.
    dpi : float
        Pixels per 25.4 mm.
    language : str
        ``"en"`` or ``"de"``; anything else gives English.

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
    words = WORDS.get(language, WORDS["en"])
    return [*_board(layout), *_bars(layout, words), *_card_frame(layout, words), *_instructions(layout, words)]


def _board(layout: SheetLayout) -> Iterator[Shape]:
    for row in range(-1, ROWS + 1):
        for column in range(-1, COLUMNS + 1):
            if is_black(column, row):
                yield Rectangle(layout.cell(column, row))
    for box, modules in zip(layout.marker_boxes, marker_modules()[list(layout.marker_ids)], strict=True):
        yield Rectangle(box)
        yield from _white_modules(box, modules)


def _white_modules(box: Box, modules: NDArray[np.bool_]) -> Iterator[Shape]:
    side = box.width_mm / MARKER_MODULES
    for row, column in np.argwhere(modules):
        left, top = box.left + side * column, box.top - side * row
        yield Rectangle(Box(left, top - side, left + side, top), white=True)


def _bars(layout: SheetLayout, words: SheetWords) -> Iterator[Shape]:
    label = words.bar.format(length=f"{CHECK_BAR_MM:.0f}")
    half, room = _BAR_MM / 2, 9.0
    level, upright = layout.level_bar, layout.upright_bar
    x, y = level.centre_mm
    yield Rectangle(Box(level.left, y - half, x - room, y + half))
    yield Rectangle(Box(x + room, y - half, level.right, y + half))
    yield Rectangle(Box(level.left, level.bottom, level.left + _BAR_MM, level.top))
    yield Rectangle(Box(level.right - _BAR_MM, level.bottom, level.right, level.top))
    yield Text((x, y - 1.05), _HEADING_MM, label, centred=True)
    x, y = upright.centre_mm
    yield Rectangle(Box(x - half, upright.bottom, x + half, y - room))
    yield Rectangle(Box(x - half, y + room, x + half, upright.top))
    yield Rectangle(Box(upright.left, upright.bottom, upright.right, upright.bottom + _BAR_MM))
    yield Rectangle(Box(upright.left, upright.top - _BAR_MM, upright.right, upright.top))
    yield Text((x + 1.05, y), _HEADING_MM, label, centred=True, upwards=True)


def _card_frame(layout: SheetLayout, words: SheetWords) -> Iterator[Shape]:
    yield Rectangle(layout.card_frame)
    yield Rectangle(layout.card_window, white=True)
    left, top = layout.card_window.left + 4.0, layout.card_window.top - 6.5
    yield Text((left, top), _TITLE_MM, f"{words.title} {layout.name.upper()}", bold=True)
    yield from _paragraph((left, top - 7.5), words.print_heading, words.print_steps)
    yield from _lines((left, top - 29.5), words.card_note)


def _instructions(layout: SheetLayout, words: SheetWords) -> Iterator[Shape]:
    room = layout.words
    top = room.top - _HEADING_MM
    yield from _paragraph((room.left, top), words.child_heading, words.child_steps)
    yield from child_picture(Box(room.left + 50.0, room.top - 24.0, room.left + 86.0, room.top))
    middle = room.top - 34.0
    yield from _paragraph((room.left, middle), words.instrument_heading, words.instrument_steps)
    yield from instrument_picture(Box(room.left + 48.0, room.bottom + 2.0, room.left + 86.0, room.bottom + 24.0))


def _paragraph(at_mm: tuple[float, float], heading: str, lines: tuple[str, ...]) -> Iterator[Shape]:
    yield Text(at_mm, _HEADING_MM, heading, bold=True)
    yield from _lines((at_mm[0], at_mm[1] - 4.4), lines)


def _lines(at_mm: tuple[float, float], lines: tuple[str, ...]) -> Iterator[Shape]:
    for number, line in enumerate(lines):
        words = line.format(length=f"{CHECK_BAR_MM:.0f}")
        yield Text((at_mm[0], at_mm[1] - number * _LINE_MM), _SMALL_MM, words)
