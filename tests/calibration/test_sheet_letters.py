"""Letters of the printed sheet: typefaces, breaking into lines, and lines that run from right to left."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from PIL import ImageFont

from calibration.sheet_letters import FONTS, LATIN, Letters, broken, letters_of, seen_from_right


@dataclass(frozen=True, slots=True)
class Typewriter(Letters):
    """Every letter is as wide as it is high."""

    def width_mm(self, words: str, size_mm: float, bold: bool = False) -> float:
        return len(words) * size_mm


SPACED = Typewriter(LATIN.plain, LATIN.strong)
UNSPACED = Typewriter(LATIN.plain, LATIN.strong, unspaced=True)


@pytest.mark.parametrize(
    ("words", "width_mm", "lines"),
    [
        ("", 5, [""]),
        ("ab cd", 5, ["ab cd"]),
        ("ab cd e", 5, ["ab cd", "e"]),
        ("ab cde fg", 5, ["ab", "cde", "fg"]),
        ("abcdefghijkl mn", 5, ["abcde", "fghij", "kl mn"]),
        ("x abcdefg", 5, ["x", "abcde", "fg"]),
        ("abc", 1, ["a", "b", "c"]),
        ("abc", 0.5, ["a", "b", "c"]),
        ("abcd", 2, ["ab", "cd"]),
    ],
)
@pytest.mark.parametrize("size_mm", [1.0, 3.0])
def test_lines_are_as_long_as_the_room_allows(words: str, width_mm: float, size_mm: float, lines: list[str]) -> None:
    assert broken(words, width_mm * size_mm, size_mm, SPACED) == lines


@pytest.mark.parametrize(
    ("words", "lines"),
    [
        ("紙紙紙紙紙紙紙", ["紙紙紙紙", "紙紙紙"]),
        ("紙紙紙紙。紙", ["紙紙紙", "紙。紙"]),
        ("あいうえかきくけこさしす。せ", ["あいうえ", "かきくけ", "こさし", "す。せ"]),
        ("紙紙紙。紙", ["紙紙紙。", "紙"]),
        ("紙紙ABC紙", ["紙紙", "ABC紙"]),
        ("紙紙紙A 紙", ["紙紙紙A", "紙"]),
    ],
)
def test_signs_that_need_no_spaces_end_lines_anywhere_but_before_a_stop(words: str, lines: list[str]) -> None:
    """Four letters a line; a stop takes the letter before it along; figures and Latin letters stay whole."""
    assert broken(words, 4.0, 1.0, UNSPACED) == lines


@pytest.mark.parametrize(
    ("language", "plain", "strong"),
    [
        ("pl", "names.ttf", "names-bold.ttf"),
        ("ar", "names.ttf", "names-bold.ttf"),
        ("ja", "japanese.ttf", "japanese.ttf"),
        ("zh", "chinese.ttf", "chinese.ttf"),
    ],
)
def test_languages_have_their_letters(language: str, plain: str, strong: str) -> None:
    letters = letters_of(language)
    assert (letters.file(False), letters.file(True)) == (FONTS / plain, FONTS / strong)
    assert letters.plain.is_file()
    assert letters.strong.is_file()
    assert (letters.from_right, letters.unspaced) == (language == "ar", language in ("ja", "zh"))


def test_western_europe_shares_its_letters() -> None:
    assert letters_of("de") is letters_of("en") is LATIN
    assert (LATIN.from_right, LATIN.unspaced) == (False, False)
    assert (LATIN.file(False).name, LATIN.file(True).name) == ("Vera.ttf", "VeraBd.ttf")
    assert LATIN.drawn("a (b)") == "a (b)"
    assert letters_of("ar").drawn("\u0645 (\u0645)") == "(\ufee1) \ufee1"


@pytest.mark.parametrize("bold", [False, True])
def test_words_are_as_wide_as_their_font_says(bold: bool) -> None:
    """Against the same file loaded by name of its size, at ten times the size; sizes scale."""
    font = ImageFont.truetype(str(LATIN.file(bold)), 1000)
    for size_mm in (2.5, 7.0):
        width = LATIN.width_mm("Wide violin", size_mm, bold)
        assert width == pytest.approx(font.getlength("Wide violin") * size_mm / 1000, rel=0.02)
    assert LATIN.width_mm("Wide violin", 3.0) == LATIN.width_mm("Wide violin", 3.0, False)


@pytest.mark.parametrize(
    ("words", "seen"),
    [
        ("a (b) c", "a (b) c"),  # within words from left to right a bracket stays as it is
        ("\u0645 (a)", "(a) \ufee1"),
        ("\u0645 [\u0645]", "[\ufee1] \ufee1"),
        ("\u0645 «\u0645»", "«\ufee1» \ufee1"),
        ("\u0645 12", "12 \ufee1"),
    ],
)
def test_a_line_from_right_to_left_is_drawn_in_order_of_sight(words: str, seen: str) -> None:
    assert seen_from_right(words) == seen
