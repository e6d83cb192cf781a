"""The counter in a real browser: hold an arm against the shelf, lend, take back, and take a table over."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from tests.service.browser.conftest import PHONE, teachers_tab
from tests.service.conftest import Recorded
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving

DESK = {"viewport": {"width": 1280, "height": 860}}


@pytest.fixture
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path_factory.mktemp("shop"), pool=Recorded()) as service:
        yield service, seed(service.house)


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def tab(browser: Browser, shop: tuple[Serving, Seeded], request: pytest.FixtureRequest) -> Iterator[Page]:
    with teachers_tab(browser, shop, **request.param) as page:
        yield page


def test_an_instrument_is_found_lent_and_taken_back(tab: Page, shop: tuple[Serving, Seeded]) -> None:
    tab.goto("/instruments")
    tab.get_by_role("link", name="At the counter").click()
    tab.get_by_label("The arm, by tape or as measured").fill("forty")
    tab.get_by_role("button", name="Hold it against the shelf").click()
    expect(tab.get_by_role("alert")).to_contain_text("forty")
    assert tab.get_by_label("The arm, by tape or as measured").input_value() == "forty"
    tab.get_by_label("The arm, by tape or as measured").fill("17 1/2 in ± 5 mm")
    tab.get_by_role("button", name="Hold it against the shelf").click()
    suits = tab.get_by_role("region", name="Suits")
    expect(suits.get_by_role("article")).to_have_count(1)
    expect(suits).to_contain_text("Shelf 14")
    expect(tab.get_by_role("region", name="Too small")).to_contain_text("Shelf 12")
    suits.get_by_text("Lend it out").first.click()
    suits.get_by_label("To whom").fill("Loan 7")
    suits.get_by_label("Back on").fill("2031-07-01")
    suits.get_by_role("button", name="Lend it out").click()
    lent = tab.get_by_role("region", name="Lent out")
    expect(lent).to_contain_text("Loan 7")
    tab.go_back()
    tab.reload()
    expect(tab.get_by_role("region", name="Suits")).to_have_count(0)
    expect(tab.get_by_text("Nothing on the shelf suits")).to_be_visible()
    tab.get_by_role("link", name="At the counter").first.click()
    tab.get_by_role("button", name="It is back").click()
    expect(tab.get_by_text("Nothing is lent out.")).to_be_visible()


def test_a_childs_arm_comes_with_its_link(tab: Page, shop: tuple[Serving, Seeded]) -> None:
    service, seeded = shop
    tab.goto("/counter")
    tab.get_by_label("Or the link that a family has").fill(f"{service.address}/f/{seeded.family}")
    tab.get_by_role("button", name="Hold it against the shelf").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Mo")
    assert seeded.family not in tab.url, "the address of a page may be seen and kept"
    tab.get_by_role("link", name="Order slip").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Order slip")
    printed = PdfReader(io.BytesIO(tab.pdf(format="A4")))
    assert len(printed.pages) == 1
    assert "Wanted: a violin" in printed.pages[0].extract_text()


def test_a_table_is_seen_before_it_counts(tab: Page, shop: tuple[Serving, Seeded]) -> None:
    def choose(table: str) -> None:
        file = {"name": "shelf.csv", "mimeType": "text/csv", "buffer": table.encode()}
        tab.set_input_files("#table", file)  # type: ignore[arg-type]
        tab.get_by_role("button", name="Show what would change").click()

    tab.goto("/counter/table")
    choose("name,body_length\nShelf 12,12\n")
    expect(tab.get_by_role("alert")).to_contain_text("too short")
    choose("name,body_length\nShelf 12,233±1\nShelf 99,280±2\n")
    expect(tab.get_by_role("region", name="What would change")).to_contain_text("231.0±1.8")
    tab.get_by_role("button", name="Take it over").click()
    tab.wait_for_url("**/instruments?done=*")
    expect(tab.get_by_text("Shelf 99")).to_be_visible()
    with tab.expect_download() as taken:
        tab.goto("/counter/table")
        tab.get_by_role("link", name="Download the table (CSV)").click()
    assert "Shelf 99" in taken.value.path().read_text(encoding="utf-8-sig")


def test_labels_of_chosen_instruments(tab: Page, shop: tuple[Serving, Seeded]) -> None:
    tab.goto("/counter/labels")
    tab.get_by_label("Shelf 14").check()
    tab.get_by_label("Paper").select_option("letter")
    form = tab.locator("form[action='/counter/labels.pdf']")
    query = form.evaluate("form => new URLSearchParams(new FormData(form)).toString()")
    words = PdfReader(io.BytesIO(tab.request.get(f"/counter/labels.pdf?{query}").body())).pages[0].extract_text()
    assert "Shelf 14" in words
    assert "Shelf 12" not in words
