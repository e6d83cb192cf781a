"""Reports in other letters: every letter is drawn, Arabic is joined and runs from the right."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import arabic_reshaper
import pypdfium2
import pytest
from pypdfium2.raw import FPDF_PAGEOBJ_TEXT
from reportlab.pdfbase import pdfmetrics

from calibration.sheet_letters import seen_from_right
from service.fit.sentences import Percent
from service.report.content import Report
from service.report.letters import CHINESE, JAPANESE, OF_LANGUAGE, TYPEFACES, WESTERN, WIDE, know_fonts, runs, writable
from service.report.pdf import MARGIN, PAPERS, report_pdf
from service.words.i18n import LANGUAGES, read_catalogue
from service.words.writing import written_mm

WORDS = {
    "en": "The violin fits this child",
    "pl": "Skrzypce pasują: źdźbło, łódź, gęś",
    "ja": "このバイオリンは、このお子さんに合っています",
    "zh": "这把小提琴适合这个孩子",
    "ar": "الكمان يناسب هذا الطفل",
}
FONT = {
    "en": "Times-Bold",
    "pl": "DejaVuSans",
    "ja": "VL-PGothic-Regular",
    "zh": "WenQuanYiMicroHei",
    "ar": "DejaVuSans",
}


def report_of(words: str, nickname: str = "Mo") -> Report:
    """A report that says the same everywhere."""
    names = ("for", "by", "instrument", "measured", "reasons", "next", "note", "picture")
    return Report(
        title=words,
        headline=words,
        decision="fits",
        for_whom=nickname,
        by_whom=words,
        studio=words,
        instrument=words,
        day=date(2031, 5, 1),
        probabilities=(0.05, 0.8, 0.1, 0.05),
        odds=words,
        measured=((words, "450 mm", words),) * 3,
        reasons=(" ".join([words] * 8),) * 3,
        next_lines=(words,) * 2,
        cautions=(words,),
        note=words,
        labels=dict.fromkeys(names, words),
    )


def fonts_in(data: bytes) -> set[str]:
    """Names of the fonts that a PDF brings along or asks for, without the mark of a part of a font."""
    return {name.decode() for name in re.findall(rb"/BaseFont /(?:[A-Z]{6}\+)?([\w-]+)", data)}


def edges(data: bytes) -> list[tuple[float, float]]:
    """Left and right edges of the pieces of text on the only page, in points."""
    (page,) = pypdfium2.PdfDocument(data)
    bounds = [each.get_bounds() for each in page.get_objects(filter=[FPDF_PAGEOBJ_TEXT])]
    return [(left, right) for left, _, right, _ in bounds]


@pytest.mark.parametrize("language", WORDS)
def test_a_report_brings_the_letters_of_its_language(language: str) -> None:
    data = report_pdf(report_of(WORDS[language]), [], language)
    assert FONT[language] in fonts_in(data)
    assert len(data) < 60_000  # only the letters that are needed
    text = pypdfium2.PdfDocument(data)[0].get_textpage().get_text_bounded()
    assert "".join(WORDS[language].split()) in "".join(text.split())


def test_arabic_begins_at_the_right() -> None:
    data = report_pdf(report_of(WORDS["ar"]), [], "ar")
    width = PAPERS["a4"][0]
    ends = [right for _, right in edges(data)]
    assert sum(abs(right - (width - MARGIN)) < 1.5 for right in ends) >= 5
    starts = [left for left, _ in edges(report_pdf(report_of(WORDS["en"]), [], "en"))]
    assert sum(abs(left - MARGIN) < 1.5 for left in starts) >= 5


def test_a_sign_stays_before_its_number_in_arabic() -> None:
    said = Percent(0.999).text("ar")
    text = pypdfium2.PdfDocument(report_pdf(report_of(f"{WORDS['ar']} {said}"), [], "ar"))[0].get_textpage()
    letters = [chr(pypdfium2.raw.FPDFText_GetUnicode(text, place)) for place in range(text.count_chars())]
    signs = [text.get_charbox(place)[0] for place, letter in enumerate(letters) if letter in "<>"]
    percents = [text.get_charbox(place)[0] for place, letter in enumerate(letters) if letter == "%"]
    # told by where they are drawn: what reads a page aloud orders it anew
    assert len(signs) == len(percents) > 5
    assert all(sign < percent for sign, percent in zip(signs, percents, strict=True))
    assert not {"\u2066", "\u2069"} & set(letters)


@pytest.mark.parametrize("words", ["الكمان (هذا)", "(Kastenau)", "«الكمان»"])
def test_brackets_enclose_what_stands_in_them_in_arabic(words: str) -> None:
    drawn = seen_from_right(words)
    opened, closed = (next(place for place, letter in enumerate(drawn) if letter in signs) for signs in ("(«", ")»"))
    assert opened + 1 < closed


def test_a_name_in_other_letters_is_written_in_a_typeface_that_has_them() -> None:
    know_fonts()
    assert [face for face, _ in runs("Zoë", WESTERN)] == [WESTERN]
    assert [face for face, _ in runs("Łucja", WESTERN)] == [WIDE]
    assert list(runs("For さくら here", WESTERN)) == [(WESTERN, "For "), (JAPANESE, "さくら "), (WESTERN, "here")]
    assert [face for face, _ in runs("这把", WESTERN)] == [CHINESE]
    assert "VL-PGothic-Regular" in fonts_in(report_pdf(report_of("The violin fits", "さくら"), [], "en"))


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_language_has_all_its_letters(language: str) -> None:
    know_fonts()
    own = OF_LANGUAGE.get(language, WESTERN)
    texts = [str(message.string) for message in read_catalogue(language)]
    letters = {letter for text in texts for letter in arabic_reshaper.reshape(text) if letter.isprintable()}
    lacking = {letter for letter in letters if not own.has(letter) and not letter.isspace()}
    elsewhere = {letter for letter in lacking if any(face.has(letter) for face in TYPEFACES)}
    assert lacking - elsewhere == set()
    assert all(pdfmetrics.getFont(name) for name, _ in own.files)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("paper", PAPERS)
def test_a_length_is_not_broken_before_its_unit(language, paper):
    """Typefaces differ in width."""
    length = written_mm(444.0, language)
    report = replace(report_of(WORDS["en"]), measured=(("Arm", length, "We are 95% sure."),))
    text = pypdfium2.PdfDocument(report_pdf(report, [], language, paper))[0].get_textpage().get_text_bounded()
    told = " ".join(length.split())  # whatever the space
    assert told in " ".join(text.split(" ")).replace("\u00a0", " ") or (language == "ar" and "444" in text)


def test_words_of_several_scripts_are_each_in_letters_that_have_them() -> None:
    know_fonts()
    assert list(runs("für Łucja und 明 ab", WESTERN)) == [
        (WESTERN, "für "),
        (WIDE, "Łucja "),
        (WESTERN, "und "),
        (JAPANESE, "明 "),
        (WESTERN, "ab"),
    ]


@pytest.mark.parametrize(
    ("words", "written"),
    [
        ("Mia \U0001f3bb plays", "Mia plays"),
        ("bravo \u2764\ufe0f\nŁucja \U0001f469\U0001f3fd\u200d\U0001f3a4", "bravo \nŁucja"),
        ("sold as \u215b", "sold as 1/8"),
        ("  two  spaces ", "  two  spaces "),
        ("\u05d9\u05e2\u05dc", "\u05d9\u05e2\u05dc"),
    ],
)
def test_what_no_typeface_writes_leaves_no_black_squares_where_it_can_be_done_without(words: str, written: str) -> None:
    know_fonts()
    assert writable(words) == written
