"""A report of which there is much to say is one page that can be read, in every language and on both papers."""

from __future__ import annotations

from ctypes import byref

import pypdfium2
import pytest
from pypdfium2.raw import FPDF_PAGEOBJ_IMAGE, FS_MATRIX, FPDFText_GetFontSize, FPDFText_GetMatrix, FPDFText_GetUnicode

from service.records.tables import VerdictRecord
from service.report.pdf import PAPERS
from service.words.i18n import LANGUAGES
from tests.service.conftest import Place
from tests.service.full_studio import LONG_CHILD, LONG_INSTRUMENT, LONGEST_NOTE, dense_report
from tests.service.seeding import seed

SPACE = 32
LEAST_MARGIN = 8 * 72 / 25.4
"""What printers leave unprinted at most, in points; common practice, no source."""
LEAST_LETTERS = 5.5
"""Size of the smallest letters, in points, that may be printed; our choice: the small print of a form."""


def letter_sizes(text: pypdfium2.PdfTextPage) -> set[float]:
    """Sizes in which letters are drawn, in points; spaces between them have none that is seen."""
    sizes, matrix = set(), FS_MATRIX()
    for place in range(text.count_chars()):
        if FPDFText_GetUnicode(text, place) > SPACE and FPDFText_GetMatrix(text, place, byref(matrix)):
            sizes.add(round(FPDFText_GetFontSize(text, place) * abs(matrix.d), 1))
    return sizes


@pytest.fixture
def dense(place: Place) -> tuple[Place, str, str]:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    return place, seeded.studio_id, dense_report(place.house, seeded)


def test_a_dense_report_is_one_readable_page_in_every_language(dense: tuple[Place, str, str]) -> None:
    place, studio_id, verdict_id = dense
    for language in LANGUAGES:
        with place.house.store.for_studio(studio_id) as records:
            verdict = records.get_one(VerdictRecord, verdict_id)
            verdict.report_language = language
            said = verdict.said_in(language)
        assert len(said["reasons"]) >= 8, "it is not dense"
        for paper, (width, height) in PAPERS.items():
            content = place.client.get(f"/verdicts/{verdict_id}/report.pdf?paper={paper}").content
            (page,) = pypdfium2.PdfDocument(content)
            assert page.get_size() == pytest.approx((width, height), abs=1)
            assert len(list(page.get_objects(filter=[FPDF_PAGEOBJ_IMAGE]))) == 2
            boxes = [each.get_bounds() for each in page.get_objects()]
            for low, most in ((0, width), (1, height)):
                assert min(box[low] for box in boxes) > LEAST_MARGIN, (language, paper)
                assert max(box[low + 2] for box in boxes) < most - LEAST_MARGIN, (language, paper)
            text = page.get_textpage()
            letters = "".join(text.get_text_bounded().split())
            for words in (LONG_CHILD, LONG_INSTRUMENT, LONGEST_NOTE):
                assert "".join(words.split()) in letters or language == "ar", (language, paper, words)
            assert min(letter_sizes(text)) > LEAST_LETTERS, (language, paper, sorted(letter_sizes(text)))
