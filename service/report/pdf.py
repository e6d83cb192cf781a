"""The family's report as a PDF of one page: what `service.report.content` says, laid out, with the pictures.

The verdict in a sentence, the picture, what was measured and how sure, what to order or when to measure again,
cautions, who decides.  Only the picture may be gone, since photos are deleted on their day.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepInFrame, Spacer, Table

from service.fit.decision import CLASS_ORDER
from service.report.content import Report
from service.report.letters import Piece, Writer
from service.words.writing import written_day

INK, SOFT, VARNISH, LINE = HexColor("#2b1e15"), HexColor("#685343"), HexColor("#8c3a1a"), HexColor("#d9cab2")
TONES = {
    "too_small": HexColor("#2f5878"),
    "fits": HexColor("#2f6238"),
    "stretch": HexColor("#86590b"),
    "too_large": HexColor("#9a2f28"),
    "not_decided": HexColor("#5d5060"),
}
MARGIN = 17 * mm
GUTTER = 7 * mm
"""Between what stands beside each other."""
PICTURE_HEIGHT = 60 * mm
"""Highest a picture is shown: with it, an ordinary report fills one page unshrunk."""
PAPERS = {"a4": A4, "letter": LETTER}


def report_pdf(report: Report, pictures: Sequence[tuple[str, bytes]], language: str, paper: str = "a4") -> bytes:
    """The report as a PDF of one page.

    Parameters
    ----------
    report : Report
    pictures : sequence of (str, bytes)
        ``"arm"`` or ``"instrument"``, and the picture:
        JPEGs, side by side; may be empty.
    language : str
        For the date.
    paper : {'a4', 'letter'}

    Returns
    -------
    bytes
    """
    writer = Writer(language)
    out = io.BytesIO()
    size = PAPERS[paper]
    canvas = Canvas(out, pagesize=size, lang=language)
    canvas.setTitle(f"{report.title} {report.for_whom}, {report.day:%Y-%m-%d}")
    canvas.setAuthor("Scrollreach")
    width, height = size
    _draw_purfling(canvas, height - 17 * mm, width)
    canvas.setFillColor(VARNISH)
    canvas.setFont("Times-Bold", 15)
    if writer.from_right:
        canvas.drawRightString(width - MARGIN, height - 14 * mm, "Scrollreach")
    else:
        canvas.drawString(MARGIN, height - 14 * mm, "Scrollreach")
    room = (width - 2 * MARGIN, height - 23 * mm - 12 * mm)
    # What is too long for one page is laid out on a larger one and drawn smaller.
    whole = KeepInFrame(*room, [_Whole(report, pictures, language, writer)], mode="shrink")
    _, used = whole.wrapOn(canvas, *room)
    whole.drawOn(canvas, MARGIN, height - 23 * mm - used)
    canvas.save()
    return out.getvalue()


class _Whole(Flowable):  # type: ignore[misc]  # the library has no types
    """All that the report says, laid out anew for whatever width it is given."""

    def __init__(self, report: Report, pictures: Sequence[tuple[str, bytes]], language: str, writer: Writer) -> None:
        super().__init__()
        self.content = report, pictures, language, writer

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Lay it out; the size it takes."""
        self.laid_out = Table([[_story(*self.content, width)]], colWidths=[width], style=_INSET)
        size: tuple[float, float] = self.laid_out.wrapOn(self.canv, width, height)
        return size

    def draw(self) -> None:
        """Draw it."""
        self.laid_out.drawOn(self.canv, 0, 0)


def _draw_purfling(canvas: Canvas, y: float, width: float) -> None:
    """The double line that frames every page, like the purfling inlaid round a violin's edge."""
    canvas.setStrokeColor(SOFT)
    for offset, line in ((0, 1.2), (2.4, 0.5)):
        canvas.setLineWidth(line)
        canvas.line(MARGIN, y - offset, width - MARGIN, y - offset)


def _odds(report: Report, writer: Writer, width: float) -> list[Flowable]:
    """How probable each class is, as a bar and in words."""
    if not report.probabilities:
        return []
    words = writer.paragraph(report.odds, writer.style("plain", 9, SOFT, before=3, after=4))
    return [_Odds(report.probabilities, width, writer.from_right), words]


def _story(
    report: Report, pictures: Sequence[tuple[str, bytes]], language: str, writer: Writer, width: float
) -> list[Flowable]:
    """All that the report says, from top to bottom."""
    tone = TONES.get(report.decision, INK)
    return [
        _parties(report, language, writer),
        writer.paragraph(report.headline, writer.style("heading", 21, tone, before=5, after=6)),
        *_odds(report, writer, width),
        *_note(report, writer, width),
        Spacer(1, 2 * mm),
        *_shown_and_measured(report, pictures, writer, width),
        Spacer(1, 2 * mm),
        *_why_and_next(report, writer, width),
        *(Spacer(1, 3 * mm), _Purfling(width), Spacer(1, 1 * mm)),
        *(writer.paragraph(line, writer.style("strong", 10, INK)) for line in report.cautions),
    ]


def _parties(report: Report, language: str, writer: Writer) -> Flowable:
    """For whom, by whom, when, and of which instrument."""
    day = written_day(report.day, language, "long")
    parties = (
        Piece(f"{report.labels['for']} "),
        Piece(report.for_whom, strong=True),
        Piece(f" · {report.labels['by']} "),
        Piece(report.by_whom, strong=True),
        Piece(f", {report.studio} · {day}\n"),
        Piece(f"{report.labels['instrument']} " if report.labels["instrument"] else ""),
        Piece(report.instrument, strong=True),
    )
    return writer.paragraph(parties, _soft(writer))


def _note(report: Report, writer: Writer, width: float) -> list[Flowable]:
    """The teacher's word, beside a bar; nothing without one."""
    if not report.note:
        return []
    words = [writer.paragraph(report.note, writer.style("aside", 12, INK, after=1))]
    if report.by_whom:
        words.append(writer.paragraph(f"– {report.by_whom}", _soft(writer)))
    start = "RIGHT" if writer.from_right else "LEFT"
    line = f"LINE{'AFTER' if writer.from_right else 'BEFORE'}"
    bar = [(line, (0, 0), (0, -1), 3, VARNISH), *_INSET, (f"{start}PADDING", (0, 0), (-1, -1), 10)]
    return [Spacer(1, 2 * mm), Table([[words]], colWidths=[width], style=bar), Spacer(1, 2 * mm)]


def _shown_and_measured(
    report: Report, pictures: Sequence[tuple[str, bytes]], writer: Writer, width: float
) -> list[Flowable]:
    """The pictures and what was measured: beside a single picture, else below."""
    fine = writer.style("plain", 8.5, SOFT)
    build = [writer.paragraph(line, fine) for line in report.build]
    captions = [" · ".join(said for _, said in report.captions.get(kind, ())) for kind, _ in pictures]
    if len(pictures) == 1:
        photo = _photo(pictures[0][1], 0.47 * width, PICTURE_HEIGHT)
        beside = _measured(report, writer, width - photo.drawWidth - GUTTER, stacked=True)
        shot = [photo, writer.paragraph(captions[0], fine)]
        below = shot if pictures[0][0] == "arm" else beside
        below += [Spacer(1, 2 * mm), *build]
        return [_row([(shot, photo.drawWidth), ([], GUTTER), (beside, width - photo.drawWidth - GUTTER)], writer)]
    gap = 4 * mm
    shown = [_photo(picture, width / 2 - gap, PICTURE_HEIGHT) for _, picture in pictures]
    shots = [
        ([photo, writer.paragraph(said, fine)], photo.drawWidth + gap)
        for photo, said in zip(shown, captions, strict=True)
    ]
    return [*([_row(shots, writer)] if shots else []), *_measured(report, writer, width, stacked=False), *build]


def _why_and_next(report: Report, writer: Writer, width: float) -> list[Flowable]:
    """The reasons, and beside them what comes next, where something does."""
    plain = writer.style("plain", 10, INK)
    reasons, following = _list(report, "reasons", writer, plain), _list(report, "next", writer, plain)
    if not following:
        return reasons
    half = (width - GUTTER) / 2
    return [_row([(reasons, half), ([], GUTTER), (following, half)], writer)]


def _soft(writer: Writer) -> ParagraphStyle:
    return writer.style("plain", 9.5, SOFT)


CELL_ROOM = 14.0
"""What reportlab leaves about a cell's words, twice 6 pt, and some more."""
_INSET = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
"""A table's cells without the room reportlab leaves about them."""


def _row(cells: list[tuple[Any, float]], writer: Writer) -> Table:
    """Things beside each other, in the order of reading, with the width of each."""
    ordered = cells[::-1] if writer.from_right else cells
    style = [*_INSET, ("VALIGN", (0, 0), (-1, -1), "TOP")]
    align = "RIGHT" if writer.from_right else "LEFT"
    return Table([[cell for cell, _ in ordered]], colWidths=[room for _, room in ordered], hAlign=align, style=style)


def _measured(report: Report, writer: Writer, width: float, stacked: bool) -> list[Flowable]:
    """What was measured as a table: one row each, or, in a narrow column, its parts below each other."""
    if not report.measured:
        return []
    plain, soft = writer.style("strong", 10, INK), _soft(writer)
    big = writer.style("heading", 14, INK, after=0)
    rows = [
        [writer.paragraph(name, plain), writer.paragraph(value, big), writer.paragraph(sure, soft)]
        for name, value, sure in report.measured
    ]
    style = [
        ("LINEABOVE", (0, 0), (-1, -1), 0.5, LINE),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 3),
    ]
    if stacked:
        table = Table([[row] for row in rows], colWidths=[width], hAlign="LEFT", style=style)
    else:
        longest = max(pdfmetrics.stringWidth(value, big.fontName, big.fontSize) for _, value, _ in report.measured)
        value_room = longest + CELL_ROOM  # never broken before its unit, whatever the typeface
        rooms = [0.42 * (width - value_room), value_room, 0.58 * (width - value_room)]
        if writer.from_right:
            rows, rooms = [row[::-1] for row in rows], rooms[::-1]
        table = Table(rows, colWidths=rooms, hAlign="LEFT", style=style)
    return [_head(report.labels["measured"], writer), table]


def _head(words: str, writer: Writer) -> Flowable:
    return writer.paragraph(words, writer.style("heading", 12.5, VARNISH, before=8, after=3))


def _list(report: Report, section: str, writer: Writer, plain: ParagraphStyle) -> list[Flowable]:
    lines = report.reasons if section == "reasons" else report.next_lines
    point = ParagraphStyle("point", plain, leftIndent=9, bulletIndent=0)
    words = [writer.paragraph(line, point, bullet="•") for line in lines]
    return [_head(report.labels[section], writer), *words] if words else []


class _Purfling(Flowable):  # type: ignore[misc]  # the library has no types
    """A double line across the page."""

    def __init__(self, width: float) -> None:
        super().__init__()
        self.width, self.height = width, 4.0

    def draw(self) -> None:
        """Draw it."""
        self.canv.translate(-MARGIN, 0)
        _draw_purfling(self.canv, 3.2, self.width + 2 * MARGIN)


class _Odds(Flowable):  # type: ignore[misc]
    """How likely each answer is, as one bar."""

    def __init__(self, shares: tuple[float, ...], width: float, from_right: bool) -> None:
        super().__init__()
        self.parts = list(zip(CLASS_ORDER, shares, strict=True))[:: -1 if from_right else 1]
        self.width, self.height = width, 8.0

    def draw(self) -> None:
        """Draw it."""
        canvas, x = self.canv, 0.0
        whole = canvas.beginPath()
        whole.roundRect(0, 0, self.width, self.height, self.height / 2)
        canvas.clipPath(whole, stroke=0)
        for name, share in self.parts:
            canvas.setFillColor(TONES[name])
            canvas.rect(x, 0, share * self.width, self.height, stroke=0, fill=1)
            x += share * self.width


def _photo(jpeg: bytes, most_width: float, most_height: float) -> Image:
    width, height = ImageReader(io.BytesIO(jpeg)).getSize()
    scale = min(most_width / width, most_height / height)
    return Image(io.BytesIO(jpeg), width * scale, height * scale)
