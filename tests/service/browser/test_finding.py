"""Finding a child or an instrument among many, and two instruments side by side, in a real browser."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.service.browser.conftest import PHONE, teachers_tab
from tests.service.conftest import Recorded
from tests.service.full_studio import fill
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving

DESK = {"viewport": {"width": 1280, "height": 860}}


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path_factory.mktemp("finding"), pool=Recorded()) as service:
        seeded = seed(service.house)
        fill(service.house, seeded)
        yield service, seeded


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def tab(browser: Browser, studio: tuple[Serving, Seeded], request: pytest.FixtureRequest) -> Iterator[Page]:
    with teachers_tab(browser, studio, locale="en-GB", **request.param) as page:
        yield page


def search(tab: Page, name: str, label: str, choice: str) -> None:
    """Type a name and choose from the list beside it; what is left empty asks for nothing."""
    tab.get_by_label("Search by name").fill(name)
    tab.get_by_label(label).select_option(label=choice)
    with tab.expect_navigation():
        tab.get_by_role("button", name="Search").click()


def show_all(tab: Page) -> None:
    with tab.expect_navigation():
        tab.get_by_role("link", name="Show all").click()


def test_children_are_found_by_name_and_by_how_far_they_are(tab: Page) -> None:
    def shown() -> list[str]:
        return tab.locator(".people b").all_inner_texts()

    tab.goto("/children")
    everybody = shown()
    assert len(everybody) > 4
    search(tab, "mühl", "How far", "all")
    assert shown() == ["Maximiliana-Wilhelmine von der Mühlenau"]
    assert tab.get_by_label("Search by name").input_value() == "mühl"
    search(tab, "", "How far", "nothing measured yet")
    assert set(shown()) == {"Juno", "K. B."}
    search(tab, "jun", "How far", "nothing measured yet")
    assert shown() == ["Juno"]
    search(tab, "Mo", "How far", "nothing measured yet")
    expect(tab.get_by_text("Nobody found.")).to_be_visible()
    show_all(tab)
    assert shown() == everybody


def test_instruments_are_found_by_name_and_by_size(tab: Page) -> None:
    def shown() -> list[str]:
        return tab.locator("tbody th").all_inner_texts()

    tab.goto("/instruments")
    every = shown()
    assert len(every) > 5
    search(tab, "shelf 1", "Measures like", "every size")
    assert set(shown()) == {"Shelf 12", "Shelf 14"}
    search(tab, "", "Measures like", "1/8")  # as it measures, whatever its label says
    assert set(shown()) == {"Shelf 14", "Leihinstrument Nr. 2031-07 (Geigenbauwerkstatt Kastenau)"}
    search(tab, "21", "Measures like", "1/8")
    expect(tab.get_by_text("Nothing found.")).to_be_visible()
    show_all(tab)
    assert shown() == every


def test_two_instruments_stand_side_by_side(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto(f"/children/{studio[1].child_id}")
    tab.locator("#instruments > summary").click()
    tab.get_by_label("Two side by side").select_option(label="Blue case (1/8)")
    tab.get_by_label("The other one").select_option(label="Shelf 12 (1/10)")
    tab.get_by_role("button", name="Compare").last.click()
    tab.wait_for_url("**/compare?*")
    expect(tab.locator("main .lead")).to_contain_text("Blue case suits better than Shelf 12")
    row = tab.get_by_role("row").filter(has=tab.get_by_role("rowheader", name="Body length"))
    assert [cell.split(" (")[0] for cell in row.get_by_role("cell").all_inner_texts()] == [
        "243.0\u00a0mm",
        "231.0\u00a0mm",
    ]
    width = tab.viewport_size["width"]  # type: ignore[index]
    for each in (tab.get_by_role("link", name="Blue case"), tab.get_by_role("link", name="Shelf 12")):
        box = each.bounding_box()
        assert box is not None
        assert 0 <= box["x"] < box["x"] + box["width"] <= width, "both are seen without scrolling aside"
    first, second = (each.bounding_box() for each in row.get_by_role("cell").all())
    assert first is not None
    assert second is not None
    assert first["y"] == second["y"]
    assert first["x"] + first["width"] <= second["x"] + 1
    assert second["x"] + second["width"] <= width
