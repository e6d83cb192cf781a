"""The report for the family: what it says, once for the page and once as PDF.

One page: the verdict in a sentence, the picture, what was measured and how sure in plain words, what to order or when
to measure again, cautions, who decides.  It is made from a kept verdict, so it says what was decided then; only the
picture may be gone, since photos are deleted on their day.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date
from typing import Any
from xml.sax.saxutils import escape

from babel.dates import format_date
from babel.numbers import format_decimal
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepInFrame, Paragraph, Spacer, Table

from service.fit.sentences import Translate
from service.i18n import marked

INK, SOFT, VARNISH, LINE = HexColor("#2b1e15"), HexColor("#685343"), HexColor("#8c3a1a"), HexColor("#d9cab2")
TONES = {
    "too_small": HexColor("#2f5878"),
    "fits": HexColor("#2f6238"),
    "stretch": HexColor("#86590b"),
    "too_large": HexColor("#9a2f28"),
    "not_decided": HexColor("#5d5060"),
}
MARGIN = 17 * mm
PICTURE_HEIGHT = 62 * mm


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
    day : date
        When it was decided.
    measured : tuple of (str, str)
        What was measured, each with how sure in plain words.
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
    day: date
    measured: tuple[tuple[str, str], ...]
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
    day: date,
    note: str,
    translate: Translate,
    language: str,
) -> Report:
    """Put a report together from a kept verdict.

    Parameters
    ----------
    inputs, outcome : dict
        As kept by `service.deciding.keep_verdict`; `outcome` in the report's language.
    nickname, teacher : str
        For whom and by whom.
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
    names = {
        "arm_length": translate(marked("Arm, from the side of the neck to the middle of the palm")),
        "body_length": translate(marked("Body of the instrument")),
        "total_length": translate(marked("Whole instrument, without the end button")),
    }
    sure = translate(marked("{value} mm; we are 95 % sure that it lies between {low} and {high} mm"))

    def said(length: dict[str, float]) -> str:
        low, value, high = (
            format_decimal(round(length[key]), locale=language) for key in ("low_mm", "value_mm", "high_mm")
        )
        return sure.format(value=value, low=low, high=high)

    return Report(
        title=translate(marked("Does the instrument fit?")),
        headline=outcome["headline"],
        decision=outcome["decision"],
        for_whom=nickname,
        by_whom=teacher,
        day=day,
        measured=tuple((names[name], said(length)) for name, length in lengths.items() if length),
        reasons=tuple(reason["text"] for reason in outcome["reasons"]),
        next_lines=tuple(outcome.get("next", ())),
        cautions=tuple(each["text"] for each in outcome["cautions"]),
        note=note,
        labels={
            "for": translate(marked("For")),
            "by": translate(marked("From")),
            "measured": translate(marked("What was measured, and how sure")),
            "reasons": translate(marked("Why")),
            "next": translate(marked("What to do next")),
            "note": translate(marked("A word from the teacher")),
            "picture": translate(marked("The photo with what was measured; the face is blurred.")),
        },
    )


def report_pdf(report: Report, pictures: list[bytes], language: str) -> bytes:
    """The report as a PDF of one A4 page.

    Parameters
    ----------
    report : Report
    pictures : list of bytes
        JPEGs, side by side; may be empty.
    language : str
        For the date.

    Returns
    -------
    bytes
    """
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A4, lang=language)
    canvas.setTitle(report.title)
    canvas.setAuthor("Scrollreach")
    width, height = A4
    canvas.setStrokeColor(SOFT)
    for offset, line in ((0, 1.2), (2.4, 0.5)):
        canvas.setLineWidth(line)
        canvas.line(MARGIN, height - 16 * mm - offset, width - MARGIN, height - 16 * mm - offset)
    canvas.setFillColor(VARNISH)
    canvas.setFont("Times-Bold", 15)
    canvas.drawString(MARGIN, height - 13.5 * mm, "Scrollreach")
    room = KeepInFrame(
        width - 2 * MARGIN, height - 40 * mm, _story(report, pictures, language, width - 2 * MARGIN), mode="shrink"
    )
    _, used = room.wrapOn(canvas, width - 2 * MARGIN, height - 40 * mm)
    room.drawOn(canvas, MARGIN, height - 22 * mm - used)
    canvas.save()
    return out.getvalue()


def _story(report: Report, pictures: list[bytes], language: str, width: float) -> list[Flowable]:
    plain, head = _style("Helvetica", 10, INK), _style("Times-Bold", 12.5, VARNISH, before=6)
    soft = _style("Helvetica", 9.5, SOFT)
    day = format_date(report.day, format="long", locale=language)
    child, teacher = escape(report.for_whom), escape(report.by_whom)
    parties = f"{report.labels['for']} <b>{child}</b> · {report.labels['by']} <b>{teacher}</b> · {day}"
    story: list[Flowable] = [
        Paragraph(parties, soft),
        Paragraph(
            escape(report.headline), _style("Times-Bold", 19, TONES.get(report.decision, INK), before=4, after=5)
        ),
    ]
    shown = [_picture(picture, width / len(pictures) - 3 * mm) for picture in pictures]
    if shown:
        story += [Table([shown], hAlign="LEFT"), Paragraph(escape(report.labels["picture"]), soft)]
    story.append(Paragraph(escape(report.labels["measured"]), head))
    rows = [[Paragraph(escape(name), plain), Paragraph(escape(words), plain)] for name, words in report.measured]
    if rows:
        lines = [("LINEBELOW", (0, 0), (-1, -1), 0.5, LINE), ("VALIGN", (0, 0), (-1, -1), "TOP")]
        story.append(Table(rows, colWidths=[width * 0.4, width * 0.6], hAlign="LEFT", style=lines))
    story += _section(report.labels["reasons"], report.reasons, head, plain)
    story += _section(report.labels["next"], report.next_lines, head, plain)
    if report.note:
        story += [Paragraph(escape(report.labels["note"]), head), Paragraph(escape(report.note), plain)]
    story.append(Spacer(1, 3 * mm))
    story += [Paragraph(escape(line), _style("Helvetica-Bold", 10, INK)) for line in report.cautions]
    return story


def _section(title: str, lines: tuple[str, ...], head: ParagraphStyle, plain: ParagraphStyle) -> list[Flowable]:
    if not lines:
        return []
    return [Paragraph(escape(title), head), *(Paragraph(f"• {escape(line)}", plain) for line in lines)]


def _picture(jpeg: bytes, most_width: float) -> Image:
    width, height = ImageReader(io.BytesIO(jpeg)).getSize()
    scale = min(most_width / width, PICTURE_HEIGHT / height)
    return Image(io.BytesIO(jpeg), width * scale, height * scale)


def _style(font: str, size: float, colour: Color, before: float = 0, after: float = 2) -> ParagraphStyle:
    return ParagraphStyle(
        font, fontName=font, fontSize=size, leading=size * 1.3, textColor=colour, spaceBefore=before, spaceAfter=after
    )
