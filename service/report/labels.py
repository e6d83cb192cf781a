"""Labels for instruments: what is measured on each, and a code that opens its page.  Eight on a sheet of A4 or Letter.

A label is written from the records, so that nobody copies a number by hand; the size that the instrument is sold as
stands beside the size that it measures like, since the two can differ.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import segno
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import KeepInFrame

from service.report.letters import Piece, Writer
from service.report.pdf import INK, LINE, PAPERS, SOFT, VARNISH

COLUMNS, ROWS = 2, 4
EDGE = 10 * mm
"""What most printers leave white round a page, and some more."""
PADDING = 6 * mm
CODE = 27 * mm
"""A code of some forty modules: 0.6 mm each, which every phone reads at arm's length."""


@dataclass(frozen=True)
class Label:
    """What stands on one label.

    Attributes
    ----------
    name : str
    sizes : str
        What it is sold as, and what it measures like.
    lengths : tuple of (str, str)
        What was measured, and how long it is.
    measured : str
        When and how.
    studio : str
    address : str
        Of its page.
    """

    name: str
    sizes: str
    lengths: tuple[tuple[str, str], ...]
    measured: str
    studio: str
    address: str


def labels_pdf(labels: Sequence[Label], title: str, language: str, paper: str = "a4") -> bytes:
    """Labels as a PDF to be printed and cut.

    Parameters
    ----------
    labels : sequence of Label
    title : str
        What the document is called.
    language : str
    paper : {'a4', 'letter'}

    Returns
    -------
    bytes
    """
    out = io.BytesIO()
    width, height = PAPERS[paper]
    canvas = Canvas(out, pagesize=PAPERS[paper], lang=language)
    canvas.setTitle(title)
    canvas.setAuthor("Scrollreach")
    writer = Writer(language)
    wide, high = (width - 2 * EDGE) / COLUMNS, (height - 2 * EDGE) / ROWS
    for number, label in enumerate(labels):
        if number and number % (COLUMNS * ROWS) == 0:
            canvas.showPage()
        row, column = divmod(number % (COLUMNS * ROWS), COLUMNS)
        _draw(canvas, label, writer, (EDGE + column * wide, height - EDGE - (row + 1) * high, wide, high))
    canvas.save()
    return out.getvalue()


def _draw(canvas: Canvas, label: Label, writer: Writer, place: tuple[float, float, float, float]) -> None:
    x, y, wide, high = place
    canvas.setStrokeColor(LINE)
    canvas.setDash(2, 3)
    canvas.rect(x, y, wide, high)
    canvas.setDash()
    inner = (wide - 2 * PADDING, high - 2 * PADDING)
    text_width = inner[0] - CODE - 4 * mm
    lines = [
        writer.paragraph([Piece(f"{name} "), Piece(value, strong=True)], writer.style("plain", 9.5, INK, after=1))
        for name, value in label.lengths
    ]
    story = [
        writer.paragraph(label.name, writer.style("heading", 17, VARNISH, after=1)),
        writer.paragraph(label.sizes, writer.style("plain", 9.5, INK, after=4)),
        *lines,
        writer.paragraph(label.measured, writer.style("plain", 8, SOFT, before=3)),
        writer.paragraph(label.studio, writer.style("plain", 8, SOFT)),
    ]
    code_x, text_x = x + wide - PADDING - CODE, x + PADDING
    if writer.from_right:
        code_x, text_x = x + PADDING, x + PADDING + CODE + 4 * mm
    frame = KeepInFrame(text_width, inner[1], story, mode="shrink")
    _, used = frame.wrapOn(canvas, text_width, inner[1])
    frame.drawOn(canvas, text_x, y + high - PADDING - used)
    _draw_code(canvas, label.address, code_x, y + high - PADDING - CODE)


def _draw_code(canvas: Canvas, address: str, x: float, y: float) -> None:
    """Draw a QR code (ISO/IEC 18004) whose lower left corner is given, its quiet zone outside."""
    rows = [bytes(row) for row in segno.make(address, error="m", micro=False).matrix]
    module = CODE / len(rows)
    canvas.setFillColor(INK)
    for number, row in enumerate(rows):
        for column, dark in enumerate(row):
            if dark:
                canvas.rect(x + column * module, y + CODE - (number + 1) * module, module, module, stroke=0, fill=1)
