"""The whole way of family, teacher and shop in a real browser, in three languages, with what goes wrong on the way.

A photo is refused, the connection drops, the page is loaded anew in the middle, a photo is asked for again, and what
was done is undone.  In English every photo is measured for real; what is measured does not depend on the language, so
the other walks are given recorded measurements and take a second each.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, FilePayload, Page, expect
from pypdf import PdfReader

from service.records.tables import Teacher
from tests.service.browser.conftest import PHONE, SAMPLES
from tests.service.browser.spoken import Said, spoken
from tests.service.conftest import Recorded
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.serving import Serving, serving
from tests.waiting import until

MEASURING_MS = 60_000
WAIT_MS = 30_000
DESK = {"viewport": {"width": 1280, "height": 900}}
RESULT = re.compile(r"/photo/[0-9a-f]{32}$")
NOTE = "12 + 7 ♪"
"""A word from the teacher that is the same in every language."""


def watch(tab: Page, faults: list[str]) -> Page:
    """Note everything the page complains about: errors, refused scripts and styles, requests elsewhere."""

    def note(text: str) -> None:
        if "ERR_INTERNET_DISCONNECTED" not in text:  # the connection that the walk itself drops
            faults.append(text)

    tab.on("console", lambda message: note(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: note(str(error)))
    tab.set_default_timeout(WAIT_MS)
    return tab


class Walk:
    """One tab and the words it is read in."""

    def __init__(self, tab: Page, said: Said) -> None:
        self.tab, self.said = tab, said

    def press(self, name: str) -> None:
        self.tab.get_by_role("button", name=self.said(name)).first.click()

    def follow(self, name: str) -> None:
        self.tab.get_by_role("link", name=self.said(name)).first.click()

    def fill(self, label: str, value: str) -> None:
        self.tab.get_by_label(self.said(label), exact=True).first.fill(value)

    def stands(self, title: str, timeout: float = MEASURING_MS) -> None:
        """Wait until a page's heading says it."""
        expect(self.tab.get_by_role("heading", level=1)).to_have_text(self.said(title), timeout=timeout)

    def choose(self, photo: FilePayload) -> None:
        self.tab.set_input_files("#photo", photo)
        self.tab.wait_for_selector(".preview")

    def send(self, photo: FilePayload, result: str) -> None:
        self.choose(photo)
        self.press("Send the photo")
        self.tab.wait_for_url(RESULT, timeout=MEASURING_MS)
        self.stands(result)


def sample(name: str) -> FilePayload:
    return {"name": name, "mimeType": "image/jpeg", "buffer": (SAMPLES / name).read_bytes()}


ARM, INSTRUMENT, BAD = sample("child-1.jpg"), sample("instrument-1.jpg"), sample("instrument-1.jpg")
UNREADABLE: FilePayload = {"name": "bad.jpg", "mimeType": "image/jpeg", "buffer": b"bad"}


def begin(family: Walk, link: str) -> None:
    family.tab.goto(link)
    family.tab.get_by_label(family.said("I am an adult and entitled")).check()
    family.press("Begin")
    family.fill("How long is the bar", "150")
    family.press("Next")


def send_through_a_lost_connection(family: Walk, photo: FilePayload, result: str) -> None:
    """The connection drops while a photo is sent, and the page is loaded anew before it comes back."""
    family.tab.evaluate("navigator.serviceWorker.ready.then(() => true)")
    until(lambda: family.tab.evaluate("caches.match('/f/offline').then(Boolean)"))
    family.choose(photo)
    family.tab.context.set_offline(True)
    family.press("Send the photo")
    lost = family.said("There is no connection just now. The photo is kept")
    expect(family.tab.locator("form [data-status]")).to_contain_text(lost)
    family.tab.reload()
    family.stands("No connection just now")
    family.tab.context.set_offline(False)
    family.follow("See the result")
    family.tab.wait_for_url(RESULT)
    family.stands(result)


def walk_as_family(family: Walk, link: str, bad: FilePayload) -> None:
    begin(family, link)
    family.send(bad, "Please take it again")
    assert family.tab.locator(".note.bad").inner_text().strip()
    family.follow("Take it again")
    send_through_a_lost_connection(family, ARM, "This photo is good")
    assert family.tab.locator("img.photo").evaluate("image => image.naturalWidth") > 400
    family.follow("Next: the instrument")
    family.tab.get_by_label(family.said("Which size does its label say?")).select_option("1/8")
    family.send(INSTRUMENT, "This photo is good")
    family.press("Finished: tell the teacher")
    family.stands("Thank you")


def send_again(family: Walk, link: str, reason: str) -> None:
    """The family opens its one link again and reads what the teacher asks for."""
    family.tab.goto(link)
    family.stands("One photo once more, please")
    expect(family.tab.get_by_role("main")).to_contain_text(family.said(reason))
    family.press("Begin")
    family.send(ARM, "This photo is good")
    family.press("Finished: tell the teacher")
    family.stands("Thank you")


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


def ask_for_photos(teacher: Walk, address: str, email: str) -> str:
    """Sign in, note a child, and ask its family; the link."""
    desk = teacher.tab
    desk.goto(address + "/sign-in")
    teacher.fill("E-mail address", email)
    teacher.fill("Password", PASSWORD)
    teacher.press("Sign in")
    teacher.follow("New child")
    teacher.fill("Nickname", "Pip")
    teacher.press("Save")
    teacher.follow("Ask for photos")
    teacher.press("Make the link")
    return desk.locator("#link").inner_text()


def open_child(teacher: Walk) -> None:
    teacher.follow("Children")
    teacher.tab.get_by_role("link", name="Pip").click()


def accept_with_undo(teacher: Walk) -> None:
    """Move a point, accept the arm, take that back, accept it once more, and then the instrument."""
    open_child(teacher)
    teacher.follow("Photo of the arm")
    before, after = drag_palm(teacher.tab)
    assert before != after
    teacher.tab.locator('[data-point="mid_palm"]').focus()
    teacher.tab.keyboard.press("Shift+ArrowLeft")
    expect(teacher.tab.locator("[data-length]")).not_to_have_attribute("data-length", str(after), timeout=MEASURING_MS)
    teacher.press("Accept")
    teacher.stands("Review the instrument")  # the next photo comes by itself
    done = teacher.tab.get_by_role("status").filter(has_text=teacher.said("Arm accepted"))
    done.get_by_role("button", name=teacher.said("Undo")).click()
    open_child(teacher)
    teacher.follow("Photo of the arm")
    teacher.press("Accept")
    teacher.stands("Review the instrument")
    teacher.press("Accept")


def write_report(teacher: Walk) -> None:
    open_child(teacher)
    teacher.press("Decide and write the report")
    teacher.fill("A word from you", NOTE)
    teacher.press("Save and share")
    expect(teacher.tab.locator("a.link")).to_be_visible()


def read_report(family: Walk, link: str) -> None:
    """The family's one link leads to the report, which is one page as a file too."""
    family.tab.goto(link)
    family.follow("Read the report")
    headline = family.tab.get_by_role("heading", level=1).inner_text()
    expect(family.tab.get_by_role("main")).to_contain_text(NOTE)
    pages = PdfReader(io.BytesIO(family.tab.request.get(family.tab.url + "/report.pdf").body())).pages
    assert len(pages) == 1
    words = " ".join(pages[0].extract_text().split())
    assert "Pip" in words
    if family.said("Begin") == "Begin":  # letters that are joined or drawn as glyphs come back otherwise
        assert headline in words


def walk_as_shop(shop: Walk) -> None:
    """The child's arm against the shelf, then one typed; an instrument lent, taken back, and that undone."""
    shop.follow("Instruments")
    shop.follow("At the counter")
    shop.tab.get_by_label(shop.said("Or a child whose arm is measured")).select_option(label="Pip")
    shop.press("Hold it against the shelf")
    expect(shop.tab.get_by_role("heading", level=1)).to_have_text("Pip")
    shop.follow("At the counter")
    shop.fill("The arm, by tape or as measured", "440±6")
    shop.press("Hold it against the shelf")
    shop.tab.locator("summary", has_text=shop.said("Lend it out")).first.click()
    shop.fill("To whom", "Pip")
    shop.tab.locator("details[open]").get_by_role("button", name=shop.said("Lend it out")).click()
    lent = shop.tab.locator("#lent")
    expect(lent).to_contain_text("Pip")
    lent.get_by_role("button", name=shop.said("It is back")).click()
    expect(lent).to_contain_text(shop.said("Nothing is lent out."))
    done = shop.tab.get_by_role("status").filter(has_text=shop.said("Instrument taken back from a loan"))
    done.get_by_role("button", name=shop.said("Undo")).click()
    expect(lent).to_contain_text("Pip")


def whole_way(browser: Browser, service: Serving, seeded: Seeded, language: str, bad: FilePayload) -> None:
    said, faults = spoken(language), list[str]()
    locale = "en-GB" if language == "en" else language
    desk = watch(browser.new_context(locale=locale, **DESK).new_page(), faults)  # type: ignore[arg-type]
    phone = watch(browser.new_context(locale=locale, **PHONE).new_page(), faults)  # type: ignore[arg-type]
    teacher, family = Walk(desk, said), Walk(phone, said)
    try:
        link = ask_for_photos(teacher, service.address, seeded.email)
        walk_as_family(family, link, bad)
        open_child(teacher)
        teacher.follow("Photo of the arm")
        reason = "The arm is not quite straight or not out to the side."
        teacher.press(reason)
        send_again(family, link, reason)
        accept_with_undo(teacher)
        write_report(teacher)
        read_report(family, link)
        walk_as_shop(teacher)
        for tab in (desk, phone):
            assert tab.evaluate("[document.documentElement.lang, getComputedStyle(document.body).direction]") == [
                language,
                "rtl" if language == "ar" else "ltr",
            ]
    finally:
        desk.context.close()
        phone.context.close()
    assert faults == []


@pytest.mark.parametrize("language", ["en", "ja", "ar"])
def test_from_the_link_to_the_report_and_the_loan(browser: Browser, tmp_path: Path, language: str) -> None:
    real = language == "en"
    with serving(tmp_path, pool=None if real else Recorded()) as service:
        seeded = seed(service.house)
        with service.house.store.for_studio(seeded.studio_id) as records:
            records.get_one(Teacher, seeded.teacher_id).language = language
        whole_way(browser, service, seeded, language, BAD if real else UNREADABLE)
