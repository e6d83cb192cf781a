"""The whole way in a real browser with real measuring: link, bad photo, good photos, review, report."""

from __future__ import annotations

import io
import re
from pathlib import Path

from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from tests.service.browser.conftest import PHONE, SAMPLES
from tests.service.seeding import PASSWORD, seed
from tests.service.serving import serving

MEASURING_MS = 60_000


def watch(tab: Page, faults: list[str]) -> Page:
    """Note everything the page complains about: errors, refused scripts and styles, requests elsewhere."""
    tab.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: faults.append(str(error)))
    return tab


def send(tab: Page, photo: str) -> None:
    tab.set_input_files("#photo", SAMPLES / photo)
    tab.wait_for_selector(".preview")
    tab.get_by_role("button", name="Send the photo").click()
    tab.wait_for_url(re.compile(r"/photo/[0-9a-f]{32}$"), timeout=MEASURING_MS)
    tab.wait_for_selector("h1:not(:text('Measuring'))", timeout=MEASURING_MS)


def walk_as_family(tab: Page, link: str) -> None:
    tab.goto(link)
    tab.get_by_label("I am an adult").check()
    tab.get_by_role("button", name="Begin").click()
    tab.get_by_label("How long is the bar").fill("150")
    tab.get_by_role("button", name="Next").click()
    send(tab, "instrument-1.jpg")  # no child in it
    assert tab.get_by_role("heading", level=1).inner_text() == "Please take it again"
    assert tab.locator(".note.bad").inner_text().strip()
    tab.get_by_role("link", name="Take it again").click()
    send(tab, "child-1.jpg")
    assert tab.get_by_role("heading", level=1).inner_text() == "This photo is good"
    assert tab.locator("img.photo").evaluate("image => image.naturalWidth") > 400
    tab.get_by_role("link", name="Next: the instrument").click()
    tab.get_by_label("Which size").select_option("1/8")
    send(tab, "instrument-1.jpg")
    tab.get_by_role("button", name="Finished").click()
    assert tab.get_by_role("heading", level=1).inner_text() == "Thank you"


def drag_palm(tab: Page) -> tuple[float, float]:
    """Drag the palm 30 px outwards; the length before and after."""
    length = tab.locator("[data-length]")
    before = float(length.get_attribute("data-length") or 0)
    box = tab.locator('[data-point="mid_palm"]').bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + 30, y, steps=5)
    tab.mouse.up()
    expect(length).not_to_have_attribute("data-length", str(before), timeout=MEASURING_MS)
    return before, float(length.get_attribute("data-length") or 0)


def test_from_the_link_to_the_report(browser: Browser, tmp_path: Path) -> None:
    faults: list[str] = []
    with serving(tmp_path) as service:
        seeded = seed(service.house)
        desk = watch(browser.new_context(viewport={"width": 1280, "height": 900}).new_page(), faults)
        desk.goto(service.address + "/sign-in")
        desk.get_by_label("E-mail address").fill(seeded.email)
        desk.get_by_label("Password", exact=True).fill(PASSWORD)
        desk.get_by_role("button", name="Sign in").click()
        desk.get_by_role("link", name="New child").click()
        desk.get_by_label("Nickname").fill("Pip")
        desk.get_by_role("button", name="Save").click()
        desk.get_by_role("link", name="Ask for photos").click()
        desk.get_by_role("button", name="Make the link").click()
        link = desk.locator("#link").inner_text()

        phone = watch(browser.new_context(locale="en-GB", **PHONE).new_page(), faults)  # type: ignore[arg-type]
        walk_as_family(phone, link)

        desk.get_by_role("link", name="Children").click()
        desk.get_by_role("link", name="Pip").click()
        desk.get_by_role("link", name="Photo of the arm").click()
        before, after = drag_palm(desk)
        assert before != after
        desk.locator('[data-point="mid_palm"]').focus()
        desk.keyboard.press("Shift+ArrowLeft")
        expect(desk.locator("[data-length]")).not_to_have_attribute("data-length", str(after), timeout=MEASURING_MS)
        desk.get_by_role("button", name="Accept").click()
        desk.get_by_role("heading", name="Review the instrument").wait_for()  # the next photo comes by itself
        desk.get_by_role("button", name="Accept").click()
        desk.get_by_role("link", name="Children").click()
        desk.get_by_role("link", name="Pip").click()
        desk.get_by_role("button", name="Decide and write the report").first.click()
        desk.get_by_label("A word from you").fill("See you on Thursday.")
        desk.get_by_role("button", name="Save and share").click()
        report = desk.locator("a.link").inner_text()

        phone.goto(report)
        headline = phone.get_by_role("heading", level=1).inner_text()
        assert "See you on Thursday." in phone.inner_text("main")
        pages = PdfReader(io.BytesIO(phone.request.get(report + "/report.pdf").body())).pages
        words = " ".join(pages[0].extract_text().split())
        assert len(pages) == 1
        assert headline in words
        assert "Pip" in words
    assert faults == []
