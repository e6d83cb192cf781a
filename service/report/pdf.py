"""The report for the family: what it says, once for the page and once as PDF.

One page: the verdict in a sentence, the picture, what was measured and how sure in plain words, what to order or when
to measure again, cautions, who decides.  It is made from a kept verdict, so it says what was decided then; only the
picture may be gone, since photos are deleted on their day.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepInFrame, Paragraph, Spacer, Table

from service.fit.sentences import Percent, Translate
from service.words.i18n import marked
from service.words.lengths import LENGTHS
from service.words.writing import written_day, written_mm, written_number

INK, SOFT, VARNISH, LINE = HexColor("#2b1e15"), HexColor("#685343"), HexColor("#8c3a1a"), HexColor("#d9cab2")
TONES = {
    "too_small": HexColor("#2f5878"),
    "fits": HexColor("#2f6238"),
    "stretch": HexColor("#86590b"),
    "too_large": HexColor("#9a2f28"),
    "not_decided": HexColor("#5d5060"),
}
MARGIN = 17 * mm
PICTURE_HEIGHT = 60 * mm
"""Highest a picture is shown: with it, an ordinary report fills one page unshrunk."""
PAPERS = {"a4": A4, "letter": LETTER}
CLASSES = ("too_small", "fits", "stretch", "too_large")
NAMES_FONT = "Names"
"""For names in letters beyond western Europe's: a part of DejaVu Sans (`service/report/fonts/LICENSE`)."""


@dataclass(frozen=True)
class Report:
    """What a report says.

    Attributes
    ----------
    title, headline : str
        The heading, and the verdict in a sentence.
    decision : str
        Code of the verdict, for its colour.
    for_whom, by_whom : str
        The child's nickname and the teacher.
    studio, instrument : str
        Whose teacher it is, and which instrument was judged.
    day : date
        When it was decided.
    probabilities : tuple of float
        Of too small, fits, stretch and too large.
    odds : str
        The same in words.
    measured : tuple of (str, str, str)
        What was measured, its length, and how sure in plain words.
    reasons, next_lines, cautions : tuple of str
        Why; what to do next; who decides.
    note : str
        A word from the teacher.
    labels : dict of str to str
        Headings in the report's language.
    """

    title: str
    headline: str
    decision: str
    for_whom: str
    by_whom: str
    studio: str
    instrument: str
    day: date
    probabilities: tuple[float, ...]
    odds: str
    measured: tuple[tuple[str, str, str], ...]
    reasons: tuple[str, ...]
    next_lines: tuple[str, ...]
    cautions: tuple[str, ...]
    note: str
    labels: dict[str, str]


def make_report(
    inputs: dict[str, Any],
    outcome: dict[str, Any],
    *,
    nickname: str,
    teacher: str,
    studio: str,
    day: date,
    note: str,
    translate: Translate,
    language: str,
) -> Report:
    """Put a report together from a kept verdict.

    Parameters
    ----------
    inputs, outcome : dict
        As kept by `service.records.deciding.keep_verdict`; `outcome` in the report's language.
    nickname, teacher, studio : str
        For whom, by whom, and in which studio.
    day : date
        When it was decided.
    note : str
        A word from the teacher.
    translate : callable
        Of the report's language.
    language : str
        For numbers.
    """
    lengths = {"arm_length": inputs["arm"]["lengths"].get("arm_length")} | {
        name: inputs["instrument"]["lengths"].get(name) for name in ("body_length", "total_length")
    }
    sure = translate(marked("We are 95 % sure that it lies between {low} and {high}."))

    def said(length: dict[str, float]) -> tuple[str, str]:
        low = written_number(length["low_mm"], language)
        return written_mm(length["value_mm"], language), sure.format(
            low=low, high=written_mm(length["high_mm"], language)
        )

    return Report(
        title=translate(marked("Does the instrument fit?")),
        headline=outcome["headline"],
        decision=outcome["decision"],
        for_whom=nickname,
        by_whom=teacher,
        studio=studio,
        instrument=_instrument(inputs["instrument"], translate),
        day=day,
        probabilities=tuple(outcome["probabilities"][name] for name in CLASSES),
        odds=translate(marked("Too small %(a)s, fits %(b)s, stretch %(c)s, too large %(d)s"))
        % {
            letter: Percent(outcome["probabilities"][name]).text(language)
            for letter, name in zip("abcd", CLASSES, strict=True)
        },
        measured=tuple(
            (LENGTHS[code].plain.text(translate), *said(length)) for code, length in lengths.items() if length
        ),
        reasons=tuple(reason["text"] for reason in outcome["reasons"]),
        next_lines=tuple(outcome.get("next", ())),
        cautions=tuple(each["text"] for each in outcome["cautions"]),
        note=note,
        labels={
            "for": translate(marked("For")),
            "by": translate(marked("From")),
            "instrument": translate(marked("Instrument")),
            "measured": translate(marked("What was measured, and how sure")),
            "reasons": translate(marked("Why")),
            "next": translate(marked("What to do next")),
            "note": translate(marked("A word from the teacher")),
            "picture": translate(marked("The photo with what was measured; the face is blurred.")),
        },
    )


def _instrument(kept: dict[str, Any], translate: Translate) -> str:
    """The name of the instrument that was judged, and the size it is sold as."""
    name, label = str(kept["name"]), kept.get("label")
    return translate(marked("%(name)s, sold as %(label)s")) % {"name": name, "label": label} if label else name


def report_pdf(report: Report, pictures: list[bytes], language: str, paper: str = "a4") -> bytes:
    """The report as a PDF of one page.

    Parameters
    ----------
    report : Report
    pictures : list of bytes
        JPEGs, side by side; may be empty.
    language : str
        For the date.
    paper : {'a4', 'letter'}

    Returns
    -------
    bytes
    """
    _know_fonts()
    out = io.BytesIO()
    size = PAPERS[paper]
    canvas = Canvas(out, pagesize=size, lang=language)
    canvas.setTitle(f"{report.title} {report.for_whom}, {report.day:%Y-%m-%d}")
    canvas.setAuthor("Scrollreach")
    width, height = size
    _draw_purfling(canvas, height - 17 * mm, width)
    canvas.setFillColor(VARNISH)
    canvas.setFont("Times-Bold", 15)
    canvas.drawString(MARGIN, height - 14 * mm, "Scrollreach")
    room = (width - 2 * MARGIN, height - 23 * mm - 12 * mm)
    # What is too long for one page is laid out on a larger one and drawn smaller.
    whole = KeepInFrame(*room, [_Whole(report, pictures, language)], mode="shrink")
    _, used = whole.wrapOn(canvas, *room)
    whole.drawOn(canvas, MARGIN, height - 23 * mm - used)
    canvas.save()
    return out.getvalue()


class _Whole(Flowable):  # type: ignore[misc]  # the library has no types
    """All that the report says, laid out anew for whatever width it is given."""

    def __init__(self, report: Report, pictures: list[bytes], language: str) -> None:
        super().__init__()
        self.content = report, pictures, language

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


def _story(report: Report, pictures: list[bytes], language: str, width: float) -> list[Flowable]:
    plain, soft = _style("Helvetica", 10, INK), _style("Helvetica", 9.5, SOFT)
    tone = TONES.get(report.decision, INK)
    day = written_day(report.day, language, "long")
    parties = (
        f"{report.labels['for']} <b>{_text(report.for_whom)}</b> · "
        f"{report.labels['by']} <b>{_text(report.by_whom)}</b>, {_text(report.studio)} · {day}<br/>"
        f"{report.labels['instrument']} <b>{_text(report.instrument)}</b>"
    )
    story: list[Flowable] = [
        Paragraph(parties, soft),
        Paragraph(_text(report.headline), _style("Times-Bold", 21, tone, before=5, after=6)),
        _Odds(report.probabilities, width),
        Paragraph(_text(report.odds), _style("Helvetica", 9, SOFT, before=3, after=4)),
    ]
    if report.note:
        words = [Paragraph(_text(report.note), _style("Times-Italic", 12, INK, after=1))]
        if report.by_whom:
            words.append(Paragraph(f"– {_text(report.by_whom)}", soft))
        bar = [("LINEBEFORE", (0, 0), (0, -1), 3, VARNISH), *_INSET, ("LEFTPADDING", (0, 0), (-1, -1), 10)]
        story += [Spacer(1, 2 * mm), Table([[words]], colWidths=[width], style=bar), Spacer(1, 2 * mm)]
    story.append(Spacer(1, 2 * mm))
    if len(pictures) == 1:
        photo = _photo(pictures[0], 0.47 * width, PICTURE_HEIGHT)
        beside = _measured(report, width - photo.drawWidth - 7 * mm, stacked=True)
        columns = [photo.drawWidth + 7 * mm, width - photo.drawWidth - 7 * mm]
        style = [*_INSET, ("VALIGN", (0, 0), (-1, -1), "TOP")]
        story.append(Table([[photo, beside]], colWidths=columns, hAlign="LEFT", style=style))
    else:
        gap = 4 * mm
        shown = [_photo(each, (width - gap) / 2, PICTURE_HEIGHT) for each in pictures]
        if shown:
            style = [*_INSET, ("RIGHTPADDING", (0, 0), (-2, -1), gap)]
            story.append(Table([shown], hAlign="LEFT", style=style))
        story += _measured(report, width, stacked=False)
    story.append(Spacer(1, 2 * mm))
    story.append(_side_by_side(_list(report, "reasons", plain), _list(report, "next", plain), width))
    story += [Spacer(1, 3 * mm), _Purfling(width), Spacer(1, 1 * mm)]
    story += [Paragraph(_text(line), _style("Helvetica-Bold", 10, INK)) for line in report.cautions]
    return story


def _measured(report: Report, width: float, stacked: bool) -> list[Flowable]:
    """What was measured as a table: one row each, or, in a narrow column, its parts below each other."""
    if not report.measured:
        return []
    plain, soft = _style("Helvetica", 10, INK), _style("Helvetica", 9.5, SOFT)
    big = _style("Times-Bold", 14, INK, after=0)
    rows = [
        [Paragraph(f"<b>{_text(name)}</b>", plain), Paragraph(_text(value), big), Paragraph(_text(sure), soft)]
        for name, value, sure in report.measured
    ]
    style = [
        ("LINEABOVE", (0, 0), (-1, -1), 0.5, LINE),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 3),
    ]
    if stacked:
        table = Table([[row] for row in rows], colWidths=[width], hAlign="LEFT", style=style)
    else:
        table = Table(rows, colWidths=[width * 0.37, width * 0.13, width * 0.5], hAlign="LEFT", style=style)
    return [_head(report.labels["measured"]), table]


_INSET = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
"""A table's cells without the room reportlab leaves about them."""


def _head(words: str) -> Paragraph:
    return Paragraph(_text(words), _style("Times-Bold", 12.5, VARNISH, before=8, after=3))


def _list(report: Report, section: str, plain: ParagraphStyle) -> list[Flowable]:
    lines = report.reasons if section == "reasons" else report.next_lines
    point = ParagraphStyle("point", plain, leftIndent=9, bulletIndent=0)
    words: list[Flowable] = [Paragraph(_text(line), point, bulletText="•") for line in lines]
    return [_head(report.labels[section]), *words] if words else []


def _side_by_side(left: list[Flowable], right: list[Flowable], width: float) -> Flowable:
    if not right:
        return Table([[left]], colWidths=[width], hAlign="LEFT", style=_INSET)
    top = [*_INSET, ("VALIGN", (0, 0), (-1, -1), "TOP"), ("RIGHTPADDING", (0, 0), (0, 0), 7 * mm)]
    return Table([[left, right]], colWidths=[width / 2, width / 2], hAlign="LEFT", style=top)


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

    def __init__(self, shares: tuple[float, ...], width: float) -> None:
        super().__init__()
        self.shares, self.width, self.height = shares, width, 8.0

    def draw(self) -> None:
        """Draw it."""
        canvas, x = self.canv, 0.0
        whole = canvas.beginPath()
        whole.roundRect(0, 0, self.width, self.height, self.height / 2)
        canvas.clipPath(whole, stroke=0)
        for name, share in zip(CLASSES, self.shares, strict=True):
            canvas.setFillColor(TONES[name])
            canvas.rect(x, 0, share * self.width, self.height, stroke=0, fill=1)
            x += share * self.width


def _photo(jpeg: bytes, most_width: float, most_height: float) -> Image:
    width, height = ImageReader(io.BytesIO(jpeg)).getSize()
    scale = min(most_width / width, most_height / height)
    return Image(io.BytesIO(jpeg), width * scale, height * scale)


def _style(font: str, size: float, colour: Color, before: float = 0, after: float = 2) -> ParagraphStyle:
    return ParagraphStyle(
        font, fontName=font, fontSize=size, leading=size * 1.3, textColor=colour, spaceBefore=before, spaceAfter=after
    )


def _know_fonts() -> None:
    if NAMES_FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(NAMES_FONT, Path(__file__).parent / "fonts" / "names.ttf"))


def _text(words: str) -> str:
    """Words for a paragraph; those with letters that every PDF reader's own fonts lack bring their font along."""
    try:
        words.encode("cp1252")
    except UnicodeEncodeError:
        return f'<font name="{NAMES_FONT}">{escape(words)}</font>'
    return escape(words)
