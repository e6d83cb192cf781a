"""The letters of the printed sheet: a typeface for each language, and the order in which its letters are drawn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import arabic_reshaper
import reportlab
from bidi import get_display
from PIL import ImageFont

FONTS = Path(__file__).parent / "fonts"
"""Parts of free typefaces; where they come from: `LICENSE` in that folder."""
_WITH_PDF = Path(reportlab.__file__).parent / "fonts"
_NEVER_FIRST = frozenset("、。，．：；！？）」』·ー")
"""Signs that open no line (JIS X 4051 and GB/T 15834, from memory)."""


@dataclass(frozen=True, slots=True)
class Letters:
    """The typeface of a language.

    Attributes
    ----------
    plain, strong : Path
        Font files of plain and of bold letters.
    from_right : bool
        Whether lines run from right to left.
    unspaced : bool
        Whether words are written without spaces, so that a line may end after any letter.
    """

    plain: Path
    strong: Path
    from_right: bool = False
    unspaced: bool = False

    def file(self, bold: bool) -> Path:
        """The font file of bold or plain letters."""
        return self.strong if bold else self.plain

    def drawn(self, words: str) -> str:
        """Words in the order in which their letters stand on paper, from left to right; joined where they join."""
        return seen_from_right(words) if self.from_right else words

    def width_mm(self, words: str, size_mm: float, bold: bool = False) -> float:
        """Width of words in letters of a height."""
        font = drawing_font(self.file(bold), 100.0)
        return float(font.getlength(self.drawn(words))) * size_mm / 100.0

    def pieces(self, words: str) -> Iterator[str]:
        """Words in pieces after which a line may end; together they are the words."""
        # a run of Latin letters or figures stays whole among signs that need no spaces
        pattern = r"[!-~]+ ?|." if self.unspaced else r"[^ ]+ ?|^ "
        return iter(re.findall(pattern, words))


LATIN = Letters(_WITH_PDF / "Vera.ttf", _WITH_PDF / "VeraBd.ttf")
_WIDE = FONTS / "names.ttf", FONTS / "names-bold.ttf"
_OF_LANGUAGE = {
    "pl": Letters(*_WIDE),
    "ar": Letters(*_WIDE, from_right=True),
    "ja": Letters(FONTS / "japanese.ttf", FONTS / "japanese.ttf", unspaced=True),
    "zh": Letters(FONTS / "chinese.ttf", FONTS / "chinese.ttf", unspaced=True),
}


_TURNED = {one: other for pair in ("()", "[]", "<>", "«»", "‹›") for one, other in (pair, reversed(pair))}
"""Signs drawn as their mirror image where the line runs from right to left (UAX 9, rule L4)."""
_BOUND = "\u034f"
"""A mark without a look that stays after the letter it follows in reading: it tells which way the line runs there."""
_WITH_MARK = re.compile("{mark}([{turned}])|([{turned}]){mark}".format(mark=_BOUND, turned=re.escape("".join(_TURNED))))


def seen_from_right(words: str) -> str:
    """Words of a line that runs from right to left, joined, in the order of sight.

    The package for Unicode Standard Annex 9 orders the letters and leaves its rule L4 to others: a bracket that opens
    to the left is drawn as the other one, but not within words that run from left to right.

    Examples
    --------
    >>> seen_from_right("\u0645 (a)")
    '(a) \ufee1'
    >>> seen_from_right("\u0645 (\u0645)")
    '(\ufee1) \ufee1'
    """
    marked = "".join(letter + _BOUND if letter in _TURNED else letter for letter in arabic_reshaper.reshape(words))
    ordered = str(get_display(marked, base_dir="R"))
    return _WITH_MARK.sub(lambda found: _TURNED[found[1]] if found[1] else found[2], ordered)


def letters_of(language: str) -> Letters:
    """The typeface of a language; that of western Europe for one that has none of its own."""
    return _OF_LANGUAGE.get(language, LATIN)


@cache
def drawing_font(file: Path, size_px: float) -> ImageFont.FreeTypeFont:
    """A font for drawing in pictures; letters come in the order of drawing already."""
    return ImageFont.truetype(file, size_px, layout_engine=ImageFont.Layout.BASIC)


def broken(words: str, width_mm: float, size_mm: float, letters: Letters = LATIN) -> list[str]:
    """Words broken into lines no wider than a room; a piece wider than the room is broken within.

    Examples
    --------
    >>> broken("a violin of the right size", 20.0, 3.0)
    ['a violin of', 'the right size']
    """
    lines = [""]
    for piece in letters.pieces(words):
        longer = lines[-1] + piece
        if letters.width_mm(longer.rstrip(), size_mm) <= width_mm or not lines[-1]:
            lines[-1] = longer
        elif piece in _NEVER_FIRST:
            lines[-1:] = [lines[-1][:-1], lines[-1][-1] + piece]
        else:
            lines.append(piece)
        while letters.width_mm(lines[-1].rstrip(), size_mm) > width_mm and len(lines[-1]) > 1:
            line, fits = lines[-1], len(lines[-1]) - 1
            while fits > 1 and letters.width_mm(line[:fits], size_mm) > width_mm:
                fits -= 1
            lines[-1:] = [line[:fits], line[fits:]]
    return [line.strip() for line in lines]
