"""The report on paper: printed from the browser and made as PDF, each rendered to pixels and read back."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pypdfium2
import pytest
from playwright.sync_api import Browser, Page

from service.measuring.outcome import INSTRUMENT
from service.records.photos import OVERLAY
from service.records.tables import ACCEPTED, Child, Upload, VerdictRecord
from service.web.gate.guard import REPORT
from tests.service.full_studio import LONG_CHILD, LONG_INSTRUMENT, LONGEST_NOTE, dense_report, fill
from tests.service.seeding import NOW, Seeded, plain_picture, seed
from tests.service.serving import Serving, serving

POINTS_PER_MM = 72 / 25.4
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
LEAST_MARGIN_MM = 8.0
DPI = 100


@dataclass(frozen=True)
class Sheet:
    """One printed page: its pixels and its words."""

    rgb: np.ndarray
    words: str
    pictures: int


def one_page(data: bytes, paper: str) -> Sheet:
    """The only page of a PDF, of the paper's size, everything within its margins."""
    document = pypdfium2.PdfDocument(data)
    assert len(document) == 1
    page = document[0]
    width_mm, height_mm = (side / POINTS_PER_MM for side in page.get_size())
    assert (width_mm, height_mm) == pytest.approx(PAPERS_MM[paper], abs=0.5)
    rgb = np.asarray(page.render(scale=DPI / 72).to_pil().convert("RGB"))
    rows, columns = np.nonzero((rgb < 200).any(axis=2))
    margin_px = LEAST_MARGIN_MM * DPI / 25.4
    assert min(rows.min(), columns.min()) > margin_px
    assert rows.max() < rgb.shape[0] - margin_px
    assert columns.max() < rgb.shape[1] - margin_px
    pictures = len(list(page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_IMAGE])))
    return Sheet(rgb, " ".join(page.get_textpage().get_text_bounded().split()), pictures)


def both_ways(tab: Page, address: str, paper: str) -> list[Sheet]:
    """The report printed from the browser, and its PDF."""
    tab.goto(address)
    made = tab.request.get(f"{address}/report.pdf?paper={paper.lower()}")
    assert made.ok
    return [one_page(tab.pdf(format=paper), paper), one_page(made.body(), paper)]


@pytest.fixture(scope="module")
def shared_reports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded, str]]:
    with serving(tmp_path_factory.mktemp("report")) as service:
        seeded = seed(service.house)
        yield service, seeded, fill(service.house, seeded).report


@pytest.fixture(scope="module")
def dense(shared_reports: tuple[Serving, Seeded, str]) -> str:
    service, seeded, _ = shared_reports
    return dense_report(service.house, seeded)


@pytest.fixture
def tab(browser: Browser) -> Iterator[Page]:
    context = browser.new_context()
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_an_english_report_fills_one_page(tab: Page, shared_reports: tuple[Serving, Seeded, str], paper: str) -> None:
    service, seeded, _ = shared_reports
    for sheet in both_ways(tab, f"{service.address}/r/{seeded.report}", paper):
        for words in (
            "This instrument fits the child.",
            "For Mo · From Ada Linde, Studio Linde · 12 May 2031",
            "Instrument Blue case, sold as 1/8",
            "Lovely to see how freely the bow moves now.",
            "433 mm",
            "We are 95% sure that it lies between 425 and 441 mm.",
            "243 mm",
            "402 mm",
            "Neck, from the chin to the height of the shoulder: 78 mm (95% sure: 54 mm to 102 mm)",
            "Shoulder, down from the side of the neck to its tip: 58 mm (95% sure: 40 mm to 76 mm)",
            "Shoulder, across from the side of the neck to its tip: 95 mm (95% sure: 77 mm to 113 mm)",
            "It is sold as 1/8 but measures like a 1/10",
            "becomes too small around October 2031",
            "the teacher who sees the child play decides",
            "Pain, numbness or strain means: stop",
        ):
            assert words in sheet.words
        green = (np.abs(sheet.rgb.astype(int) - (47, 98, 56)) < 12).all(axis=2)
        assert green.sum() > 300  # the answer and its bar in the answer's colour
        assert sheet.pictures == 1


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_a_german_report_says_what_to_order(tab: Page, shared_reports: tuple[Serving, Seeded, str], paper: str) -> None:
    service, _, german = shared_reports
    for sheet in both_ways(tab, f"{service.address}/r/{german}", paper):
        for words in (
            "Dieses Instrument ist für das Kind zu klein.",
            "Für Maximiliana-Wilhelmine von der Mühlenau",
            "Wir sind zu 95 % sicher, dass der Wert zwischen 504 und 520 mm liegt.",
            "Korpuslänge von 290 mm bis 312 mm und einer Gesamtlänge von 479 mm bis 514 mm",
            "Es entscheidet die Lehrkraft, die das Kind spielen sieht.",
            "Schmerzen, Taubheit oder Verspannung heißen: aufhören",
        ):
            assert words in sheet.words
        assert sheet.pictures == 0


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_the_longest_report_is_one_page_too(tab: Page, shared_reports: tuple[Serving, Seeded, str], paper: str) -> None:
    service, seeded, _ = shared_reports
    house = service.house
    with house.store.for_studio(seeded.studio_id) as records:
        verdict = records.get_one(VerdictRecord, seeded.verdict_id)
        before = verdict.outcome, verdict.report_note, verdict.report_language
        child = records.get_one(Child, verdict.child_id)
        reasons = [dict(each) for each in verdict.outcome["de"]["reasons"]] * 2
        order = records.query(VerdictRecord).filter(VerdictRecord.id != verdict.id).one().outcome["de"]["next"]
        verdict.outcome = verdict.outcome | {"de": verdict.outcome["de"] | {"reasons": reasons, "next": order}}
        verdict.report_note, verdict.report_language, child.nickname = LONGEST_NOTE, "de", "Łucja Żółć-Đorđević"
        photo = Upload(
            studio_id=seeded.studio_id,
            child_id=child.id,
            instrument_id=verdict.instrument_id,
            kind=INSTRUMENT,
            client_key="accepted",
            received_at=NOW,
            state=ACCEPTED,
            delete_on=(NOW + timedelta(days=14)).date(),
        )
        records.add(photo)
        records.flush()
        house.photos.put(photo.id, OVERLAY, plain_picture(3))
    try:
        for sheet in both_ways(tab, f"{service.address}/r/{seeded.report}", paper):
            for words in ("Łucja Żółć-Đorđević", "Schmerzen, Taubheit", " ".join(LONGEST_NOTE.split())[:300]):
                assert words in sheet.words
            assert sheet.pictures == 2
    finally:
        with house.store.for_studio(seeded.studio_id) as records:
            verdict = records.get_one(VerdictRecord, seeded.verdict_id)
            verdict.outcome, verdict.report_note, verdict.report_language = before
            records.get_one(Child, verdict.child_id).nickname = "Mo"
            records.delete(records.get_one(Upload, photo.id))


@pytest.mark.parametrize("language", ["en", "de", "ar", "ja"])
def test_a_dense_report_is_printed_on_one_page(
    tab: Page, shared_reports: tuple[Serving, Seeded, str], dense: str, language: str
) -> None:
    service, seeded, _ = shared_reports
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(VerdictRecord, dense).report_language = language
    tab.goto(f"{service.address}/r/{service.house.signer.token(REPORT, dense)}")
    for paper in PAPERS_MM:
        sheet = one_page(tab.pdf(format=paper), paper)
        assert sheet.pictures == 2
        letters = "".join(sheet.words.split())
        for words in (LONG_CHILD, LONG_INSTRUMENT, LONGEST_NOTE[:300]):
            assert "".join(words.split()) in letters or language == "ar", (paper, words)


def test_an_unknown_paper_is_no_page(tab: Page, shared_reports: tuple[Serving, Seeded, str]) -> None:
    service, seeded, _ = shared_reports
    answer = tab.request.get(f"{service.address}/r/{seeded.report}/report.pdf?paper=napkin")
    assert answer.status == 404
    assert pypdfium2.PdfDocument(io.BytesIO(tab.request.get(f"{service.address}/r/{seeded.report}/report.pdf").body()))
