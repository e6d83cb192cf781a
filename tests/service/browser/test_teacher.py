"""The teacher's other pages in a real browser: the chart's live picture, the link to pass on, signs, the tape."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from urllib.parse import parse_qs, urlsplit

import cv2
import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from service.records.tables import SignsRecord
from tests.service.browser.conftest import teachers_tab
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path_factory.mktemp("teacher")) as service:
        yield service, seed(service.house)


@pytest.fixture
def tab(browser: Browser, studio: tuple[Serving, Seeded]) -> Iterator[Page]:
    with teachers_tab(browser, studio, permissions=["clipboard-read", "clipboard-write"]) as page:
        yield page


def test_the_charts_picture_follows_what_is_typed(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto(f"/charts/{studio[1].chart_id}")
    picture = tab.locator("[data-chart-picture]")
    before = picture.locator("svg").inner_html()
    tab.get_by_label("Arm to, row 2").fill("530")
    expect(picture.locator("table")).to_contain_text("530")
    assert picture.locator("svg").inner_html() != before
    tab.get_by_label("Arm from, row 2").fill("a lot")
    expect(picture.locator(".note.bad")).to_be_visible()
    tab.get_by_label("Arm from, row 2").fill("470")
    expect(picture.locator(".note.bad")).to_have_count(0)
    tab.get_by_role("button", name="Save").click()
    tab.wait_for_url("**/charts?done=*")
    tab.get_by_role("link", name="Our own", exact=True).click()
    assert tab.get_by_label("Arm to, row 2").input_value() == "530"


def test_what_is_pressed_twice_is_done_once(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto("/children/new")
    tab.get_by_label("Nickname or initials").fill("Twice")
    tab.evaluate("""() => { const save = document.querySelector("main form button");
      save.click(); setTimeout(() => save.click(), 10); }""")
    tab.wait_for_url(re.compile("/children/[0-9a-f]{32}$"))
    tab.goto("/children")
    expect(tab.get_by_role("link", name="Twice")).to_have_count(1)


def test_a_new_chart_is_used_only_where_that_is_wished(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    def said() -> str:
        return tab.get_by_role("heading", name="In use").inner_text()

    tab.goto("/charts")
    before = said()
    tab.get_by_role("link", name="Make our own chart").click()
    for name, size, fault in (
        ("our OWN", None, "Another chart has this name"),
        ("For the little ones", "999", "a number alone is no size"),
        ("For the little ones", "1/4", "this size is there twice"),
    ):
        tab.get_by_label("Name of the chart").fill(name)
        if size is not None:
            tab.get_by_label("Size, row 1", exact=True).fill(size)
        tab.get_by_role("button", name="Save", exact=True).click()
        expect(tab.locator(".note.bad").first).to_contain_text(fault)
    tab.get_by_label("Size, row 1", exact=True).fill("1/32")
    tab.get_by_role("button", name="Save", exact=True).click()
    tab.wait_for_url("**/charts?done=*")
    assert said() == before
    own = tab.get_by_role("listitem").filter(has_text="For the little ones")
    own.get_by_role("button", name="Use this one").click()
    assert "For the little ones" in said()
    tab.get_by_role("link", name="For the little ones").click()
    expect(tab.get_by_text("what you save counts at once for every child")).to_be_visible()


def test_a_link_is_made_copied_mailed_and_scanned(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto(f"/children/{studio[1].child_id}/request")
    tab.get_by_label("Photo of the instrument").uncheck()
    tab.get_by_label("Language of the family").select_option("de")
    tab.get_by_label("Days the link stays open").fill("5")
    tab.get_by_role("button", name="Make the link").click()
    link = tab.locator("#link").inner_text()
    facts = tab.locator("dl.facts").inner_text()
    assert "17 May 2031" in facts
    assert "Photo of the child's arm" in facts
    assert "instrument" not in facts
    assert "Deutsch" in facts
    tab.get_by_role("button", name="Copy the link").click()
    expect(tab.get_by_role("button", name="Copied")).to_be_visible()
    assert tab.evaluate("navigator.clipboard.readText()") == link
    tab.evaluate("() => { Clipboard.prototype.writeText = () => Promise.reject(new Error()); }")
    tab.get_by_role("button", name="Copy the link").click()
    said = tab.wait_for_function("link => getSelection().toString() === link", arg=link)
    assert said, "where the browser does not let it"
    mail = urlsplit(tab.get_by_role("link", name="Write an e-mail").get_attribute("href") or "")
    assert mail.scheme == "mailto"
    body = parse_qs(mail.query)["body"][0]
    assert body.startswith("Bitte öffnen Sie diesen Link")
    assert body.endswith(link)
    code = Image.open(io.BytesIO(tab.locator(".qr").screenshot())).convert("L")
    found, *_ = cv2.QRCodeDetector().detectAndDecode(np.asarray(code.resize((code.width * 3, code.height * 3))))
    assert found == link
    answer = tab.request.get(link)
    assert answer.ok
    assert 'lang="de"' in answer.text()


def test_signs_and_tape_are_noted_on_the_childs_page(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto(f"/children/{studio[1].child_id}")
    assert not tab.get_by_role("region", name="Measured arms").is_visible(), "three answers first; the rest is folded"
    for fold in tab.locator(".fold > summary").all():
        fold.click()
    for region in ("Plot of the arm over time", "Measured arms", "Instruments compared"):
        expect(tab.get_by_role("region", name=region)).to_be_visible()  # a plot and its tables
    tab.get_by_text("Note what was seen").click()
    question = tab.get_by_role("group", name="Can all four fingers be placed without strain?")
    question.get_by_label("no", exact=True).check()
    tab.locator("#signs").get_by_role("button", name="Save").click()
    tab.wait_for_url("**#signs")
    expect(tab.locator("#signs .answers")).to_contain_text("Can all four fingers be placed without strain?")
    assert "no" in tab.locator("#signs .answers dd").all_inner_texts()
    tab.get_by_label("The tape says").fill("43.2 cm")
    tab.locator("#tape").get_by_role("button", name="Compare").click()
    tab.wait_for_url("**#tape")
    expect(tab.locator("#tape .note").first).to_contain_text("432\u00a0mm")
    tab.get_by_label("Instrument in use").select_option(label="Shelf 14 (1/8)")
    tab.locator("#instruments").get_by_role("button", name="Save").click()
    expect(tab.locator(".verdict .said")).to_contain_text("Shelf 14 (1/8)")


def test_signs_are_noted_of_the_instrument_that_is_chosen(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    service, seeded = studio
    tab.goto(f"/children/{seeded.child_id}#signs")
    tab.get_by_text("Note what was seen").click()
    ask = tab.locator("#signs form")
    painless = ask.get_by_role("group", name="Does the child play without pain and without numbness?")
    wrist = ask.get_by_role("group", name="Does the left wrist stay free")
    ask.get_by_label("With this instrument").select_option(label="Blue case (1/8)")
    expect(painless.get_by_label("yes", exact=True)).to_be_checked()
    wrist.get_by_label("no", exact=True).check()
    ask.get_by_label("With this instrument").select_option(label="Shelf 12 (1/10)")
    expect(painless.get_by_label("not seen", exact=True)).to_be_checked()
    expect(wrist.get_by_label("no", exact=True)).to_be_checked()  # what was just answered stays
    ask.get_by_role("button", name="Save").click()
    tab.wait_for_url("**#signs")
    with service.house.store.for_studio(seeded.studio_id) as records:
        noted = records.scalars(select(SignsRecord).where(SignsRecord.instrument_id == seeded.shelf_id)).one()
        assert {name: answer for name, answer in noted.answers.items() if answer is not None} == {"wrist_free": False}
    tab.get_by_text("Note what was seen").click()
    ask.get_by_label("With this instrument").select_option(label="Shelf 12 (1/10)")
    expect(wrist.get_by_label("no", exact=True)).to_be_checked()


def test_no_message_is_offered_that_the_settings_do_not_allow(tab: Page) -> None:
    tab.goto("/account")
    assert "push" not in tab.content()
    status = """async what => (await fetch(`/account/push/${what}`, { method: "POST", body: new URLSearchParams(
      { form_token: document.querySelector("[name=form_token]").value }) })).status"""
    assert [tab.evaluate(status, what) for what in ("on", "off", "seen")] == [404, 404, 404]


def test_a_page_that_is_come_back_to_sends_another_photo(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto("/instruments/photo")
    key = tab.locator("[name=client_key]")
    before = key.input_value()
    tab.evaluate("dispatchEvent(new PageTransitionEvent('pageshow', { persisted: false }))")
    assert key.input_value() == before
    tab.evaluate("dispatchEvent(new PageTransitionEvent('pageshow', { persisted: true }))")
    assert re.fullmatch("[0-9a-f]{32}", key.input_value())
    assert key.input_value() != before
