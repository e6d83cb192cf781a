"""Shapes on a page in millimetres, and two writers that put the same shapes on paper: PDF and picture.

Origin at the page's centre, y up.  Everything is black or white.  Both writers use the same typefaces
(`calibration.sheet_letters`), so that the two pages look alike and nothing has to be installed.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from calibration.arrays import Picture
from calibration.sheet import Box
from calibration.sheet_letters import LATIN, Letters, drawing_font

Points = tuple[tuple[float, float], ...]

_POINTS_PER_MM = 72 / 25.4  # a PDF point is 1/72 inch (ISO 32000-1, 8.3.2.3)
_FINEST_DPI = 900  # pictures are drawn at about this resolution and averaged down


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A filled upright rectangle."""

    box: Box
    white: bool = False


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled outline."""

    points_mm: Points
    white: bool = False


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line with round ends and joints."""

    points_mm: Points
    width_mm: float = 0.3


@dataclass(frozen=True, slots=True)
class Text:
    """One line of words: `at_mm` is its baseline's left end, or its middle where `centred`.

    The words are as they are read; `letters` knows the order in which they are drawn.
    """

    at_mm: tuple[float, float]
    size_mm: float
    words: str
    bold: bool = False
    centred: bool = False
    letters: Letters = LATIN


Shape = Rectangle | Polygon | Stroke | Text


def write_pdf(shapes: Sequence[Shape], page: Box, title: str) -> bytes:
    """Write the shapes as a PDF of one page in true size (1 mm is 72 / 25.4 points)."""
    buffer = io.BytesIO()
    size = (page.width_mm * _POINTS_PER_MM, page.height_mm * _POINTS_PER_MM)
    canvas = Canvas(buffer, pagesize=size, invariant=1)
    canvas.setTitle(title)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.scale(_POINTS_PER_MM, _POINTS_PER_MM)
    canvas.translate(-page.left, -page.bottom)
    canvas.setLineCap(1)
    canvas.setLineJoin(1)
    for shape in shapes:
        _draw_in_pdf(canvas, shape)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _draw_in_pdf(canvas: Canvas, shape: Shape) -> None:
    match shape:
        case Rectangle(box, white):
            canvas.setFillGray(1.0 if white else 0.0)
            canvas.rect(box.left, box.bottom, box.width_mm, box.height_mm, stroke=0, fill=1)
        case Polygon(points, white):
            canvas.setFillGray(1.0 if white else 0.0)
            canvas.drawPath(_path(canvas, points), stroke=0, fill=1)
        case Stroke(points, width):
            canvas.setLineWidth(width)
            canvas.drawPath(_path(canvas, points), stroke=1, fill=0)
        case Text((x, y), size, words, bold, centred, letters):
            canvas.saveState()
            canvas.setFillGray(0.0)
            canvas.setFont(_known(letters.file(bold)), size)
            canvas.translate(x, y)
            (canvas.drawCentredString if centred else canvas.drawString)(0, 0, letters.drawn(words))
            canvas.restoreState()


@cache
def _known(file: Path) -> str:
    """Tell the PDF library about a font file, once; its name there."""
    pdfmetrics.registerFont(TTFont(file.stem, file))
    return file.stem


def _path(canvas: Canvas, points: Points) -> object:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if points[0] == points[-1]:
        path.close()
    return path


def draw_picture(shapes: Sequence[Shape], page: Box, dpi: float) -> Picture:
    """Draw the shapes as a grey picture (H, W) of the whole page, black 0, white 255, smoothed at edges."""
    size = (round(page.width_mm * dpi / 25.4), round(page.height_mm * dpi / 25.4))
    finer = max(1, round(_FINEST_DPI / dpi))
    image = Image.new("L", (size[0] * finer, size[1] * finer), 255)
    pen = _Pen(ImageDraw.Draw(image), page, image.width / page.width_mm, image.height / page.height_mm)
    for shape in shapes:
        pen.draw(shape)
    return np.asarray(image.reduce(finer) if finer > 1 else image)


@dataclass(frozen=True, slots=True)
class _Pen:
    """Pillow's pen, moved in millimetres of the page."""

    drawing: ImageDraw.ImageDraw
    page: Box
    across_px_per_mm: float
    down_px_per_mm: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        return (x - self.page.left) * self.across_px_per_mm, (self.page.top - y) * self.down_px_per_mm

    def draw(self, shape: Shape) -> None:
        match shape:
            case Rectangle(box, white):
                left, top = self.at(box.left, box.top)
                right, bottom = self.at(box.right, box.bottom)
                # Pillow counts the last pixel in
                edges = (round(left), round(top), round(right) - 1, round(bottom) - 1)
                self.drawing.rectangle(edges, fill=255 if white else 0)
            case Polygon(points, white):
                self.drawing.polygon([self.at(*point) for point in points], fill=255 if white else 0)
            case Stroke(points, width):
                path = [self.at(*point) for point in points]
                width_px = width * self.across_px_per_mm
                self.drawing.line(path, fill=0, width=max(1, round(width_px)), joint="curve")
                for x, y in (path[0], path[-1]):
                    self.drawing.circle((x, y), width_px / 2, fill=0)
            case Text():
                self._write(shape)

    def _write(self, text: Text) -> None:
        font = drawing_font(text.letters.file(text.bold), text.size_mm * self.across_px_per_mm)
        anchor = "ms" if text.centred else "ls"
        self.drawing.text(self.at(*text.at_mm), text.letters.drawn(text.words), fill=0, font=font, anchor=anchor)
