"""Letters of a report: which typeface writes a language, and lines that run from right to left.

Western Europe's languages are written in the typefaces that every PDF reader has; the others bring their letters along
(`calibration/fonts/LICENSE`), of which the PDF keeps only those that it needs.  Words in letters that a report's own
typeface lacks, a child's name for instance, are written in one that has them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from xml.sax.saxutils import escape

import arabic_reshaper
from reportlab.lib.colors import Color
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, Paragraph

from calibration.sheet_letters import FONTS, seen_from_right
from service.words.i18n import reads_from_right

UNSEEN = dict.fromkeys(range(0x2066, 0x206A))
"""Isolates: they order what is written and have no letter of their own."""
LEADING = 1.3
"""Distance of lines in heights of a letter; our choice."""


@dataclass(frozen=True)
class Typeface:
    """Fonts of one design, by what they are for."""

    plain: str
    strong: str
    heading: str
    aside: str
    files: tuple[tuple[str, str], ...] = ()

    def has(self, letter: str) -> bool:
        """Whether it can write a letter."""
        if not self.files:
            return _is_western(letter)
        return ord(letter) in pdfmetrics.getFont(self.plain).face.charToGlyph


WESTERN = Typeface("Helvetica", "Helvetica-Bold", "Times-Bold", "Times-Italic")
WIDE = Typeface("Wide", "WideBold", "WideBold", "Wide", (("Wide", "names.ttf"), ("WideBold", "names-bold.ttf")))
JAPANESE = Typeface("Japanese", "Japanese", "Japanese", "Japanese", (("Japanese", "japanese.ttf"),))
CHINESE = Typeface("Chinese", "Chinese", "Chinese", "Chinese", (("Chinese", "chinese.ttf"),))
TYPEFACES = (WESTERN, WIDE, JAPANESE, CHINESE)
OF_LANGUAGE = {"pl": WIDE, "ar": WIDE, "ja": JAPANESE, "zh": CHINESE}
"""Languages that cannot be written with the letters of every PDF reader (code page 1252)."""


@cache
def know_fonts() -> None:
    """Tell the PDF library about the fonts that come along; only once in a process."""
    for typeface in TYPEFACES:
        for name, file in typeface.files:
            pdfmetrics.registerFont(TTFont(name, FONTS / file, asciiReadable=False))
        if typeface.files:
            plain, strong = typeface.plain, typeface.strong
            pdfmetrics.registerFontFamily(plain, normal=plain, bold=strong, italic=plain, boldItalic=strong)


def _is_western(letter: str) -> bool:
    try:
        letter.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


@dataclass(frozen=True)
class Piece:
    """Words within a paragraph."""

    words: str
    strong: bool = False


class Writer:
    """Makes the paragraphs of a report in one language.

    Parameters
    ----------
    language : str
        Code of the report's language.

    Attributes
    ----------
    typeface : Typeface
    from_right : bool
        Whether the language runs from right to left.
    """

    def __init__(self, language: str) -> None:
        know_fonts()
        self.typeface = OF_LANGUAGE.get(language, WESTERN)
        self.from_right = reads_from_right(language)
        self._breaks_anywhere = language in ("ja", "zh")

    def style(self, role: str, size: float, colour: Color, before: float = 0, after: float = 2) -> ParagraphStyle:
        """A style for a role of `Typeface`: ``"plain"``, ``"strong"``, ``"heading"`` or ``"aside"``."""
        font = getattr(self.typeface, role)
        style = ParagraphStyle(role, fontName=font, fontSize=size, leading=size * LEADING, textColor=colour)
        style.spaceBefore, style.spaceAfter = before, after
        style.wordWrap = "CJK" if self._breaks_anywhere else None
        style.alignment = TA_RIGHT if self.from_right else style.alignment
        return style

    def paragraph(self, words: str | Sequence[Piece], style: ParagraphStyle, bullet: str | None = None) -> Flowable:
        """A paragraph; its lines are broken where the words are."""
        pieces = [Piece(words)] if isinstance(words, str) else words
        pieces = [Piece(writable(piece.words), piece.strong) for piece in pieces]
        if self.from_right:
            return _FromRight("".join(piece.words for piece in pieces), style, self.typeface, bullet)
        marked = "".join(f"<b>{self._marked(p.words)}</b>" if p.strong else self._marked(p.words) for p in pieces)
        return Paragraph(marked.replace("\n", "<br/>"), style, bulletText=bullet)

    def _marked(self, words: str) -> str:
        # the typefaces of every PDF reader lack the narrow space that French numbers have
        words = words.replace("\u202f", "\u00a0")
        return "".join(
            escape(run) if face is self.typeface else f'<font name="{face.plain}">{escape(run)}</font>'
            for face, run in runs(words, self.typeface)
        )


def writable(words: str) -> str:
    """Words without the pictures that no typeface has, such as emoji, and with 1/8 where none has the sign for it."""
    if all(letter.isspace() or _is_written(letter) for letter in words):
        return words
    plain = "".join(
        letter if letter.isspace() or _is_written(letter) else unicodedata.normalize("NFKC", letter)
        for letter in words.replace("\u200d", "")  # which joins emoji
    ).replace("\N{FRACTION SLASH}", "/")
    kept = (each for each in plain if _is_written(each) or unicodedata.category(each) not in ("So", "Sk", "Mn", "Cn"))
    return re.sub(r"(?<=\S) {2,}", " ", "".join(kept)).strip(" ")


@cache
def _is_written(letter: str) -> bool:
    return any(face.has(letter) for face in TYPEFACES)


def runs(words: str, own: Typeface) -> Iterator[tuple[Typeface, str]]:
    """Words in pieces of one typeface each: the report's own where it has the letters, else the first that has.

    A word is not set in two typefaces if one of them has all its letters.
    """
    faces = (own, *(face for face in TYPEFACES if face is not own))

    def writes(face: Typeface, part: str) -> bool:
        return all(letter.isspace() or face.has(letter) for letter in part)

    def face_of(part: str) -> Typeface:
        return next((face for face in faces if writes(face, part)), own)

    if writes(own, words):
        yield own, words
        return
    parts = [part + " " for part in words.split(" ")]
    parts[-1] = parts[-1][:-1]
    for face, group in groupby(parts, key=face_of):
        yield face, "".join(group)


class _FromRight(Flowable):  # type: ignore[misc]  # the library has no types
    """A paragraph of a language that runs from right to left.

    The PDF library's own way needs a package that is not on the registry, so lines are broken here in the order of
    reading, and letters joined and turned by the packages for that (Unicode Standard Annex 9).
    """

    def __init__(self, words: str, style: ParagraphStyle, typeface: Typeface, bullet: str | None) -> None:
        super().__init__()
        self.words, self.style, self.typeface, self.bullet = words, style, typeface, bullet
        self.spaceBefore, self.spaceAfter = style.spaceBefore, style.spaceAfter

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """Break it into lines; the size they take."""
        self.width = width
        self.font = next(self._fonts())
        room = width - (self.style.leftIndent if self.bullet else 0)
        self.lines = [line for part in self.words.split("\n") for line in self._broken(part, room)]
        self.height = self.style.leading * len(self.lines)
        return width, self.height

    def _fonts(self) -> Iterator[str]:
        faces = (self.typeface, *TYPEFACES)
        shaped = arabic_reshaper.reshape(self.words).translate(UNSEEN)
        yield from (
            self.style.fontName if face is self.typeface else face.plain
            for face in faces
            if all(letter.isspace() or face.has(letter) for letter in shaped)
        )
        yield self.style.fontName

    def _broken(self, words: str, room: float) -> Iterator[str]:
        line = ""
        for word in words.split(" "):
            longer = f"{line} {word}" if line else word
            if line and self._width(longer) > room:
                yield line
                line = word
            else:
                line = longer
        yield line

    def _width(self, words: str) -> float:
        return float(
            pdfmetrics.stringWidth(arabic_reshaper.reshape(words).translate(UNSEEN), self.font, self.style.fontSize)
        )

    def draw(self) -> None:
        """Draw it against the right edge."""
        canvas, style = self.canv, self.style
        canvas.setFillColor(style.textColor)
        canvas.setFont(self.font, style.fontSize)
        y = self.height - style.fontSize
        if self.bullet:
            canvas.drawRightString(self.width, y, self.bullet)
        for line in self.lines:
            shown = seen_from_right(line).translate(UNSEEN)
            canvas.drawRightString(self.width - (style.leftIndent if self.bullet else 0), y, shown)
            y -= style.leading
