"""A page whose sign-in ends, or whose connection is lost, says so, loses nothing, and goes on afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from service.records.tables import SignIn
from tests.service.browser.conftest import teachers_tab
from tests.service.conftest import Recorded
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.serving import Serving, serving

SAID = "You are no longer signed in here."


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path, pool=Recorded()) as service:
        yield service, seed(service.house)


@pytest.fixture
def tab(browser: Browser, studio: tuple[Serving, Seeded]) -> Iterator[Page]:
    with teachers_tab(browser, studio, locale="en-GB") as page:
        yield page


def sign_out_elsewhere(studio: tuple[Serving, Seeded]) -> None:
    service, seeded = studio
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(SignIn, seeded.sign_in_id).revoked_at = service.clock.now()


def sign_in_beside(tab: Page, seeded: Seeded) -> None:
    """Sign in in another tab, by the way that the page offers, and come back."""
    with tab.context.expect_page() as opened:
        tab.locator(".signed-out").get_by_role("link", name="Sign in").click()
    other = opened.value
    other.get_by_label("E-mail address").fill(seeded.email)
    other.get_by_label("Password").fill(PASSWORD)
    other.get_by_role("button", name="Sign in").click()
    other.wait_for_url("**/children")
    other.close()
    tab.evaluate("dispatchEvent(new Event('focus'))")


UNDER_NOTE = """() => {
  const [mine, note] = [document.activeElement, document.querySelector(".signed-out")];
  return !note.contains(mine) && mine.getBoundingClientRect().top < note.getBoundingClientRect().bottom - 1
    && note.getBoundingClientRect().top < 1 && mine.textContent;
}"""
"""What has the keyboard, where the note lies over it."""


@pytest.mark.parametrize("width", [320, 1280])
def test_what_has_the_keyboard_is_not_hidden_by_what_is_said(
    tab: Page, studio: tuple[Serving, Seeded], width: int
) -> None:
    # WCAG 2.2, 2.4.11
    tab.set_viewport_size({"width": width, "height": 700})
    tab.goto("/studio")
    sign_out_elsewhere(studio)
    expect(tab.get_by_text(SAID)).to_be_visible()
    tab.locator("main button").last.focus()
    for _ in range(40):
        tab.keyboard.press("Shift+Tab")
        assert tab.evaluate(UNDER_NOTE) is False


def test_a_form_that_was_being_filled_is_kept_and_saved(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    _, seeded = studio
    tab.goto(f"/children/{seeded.child_id}/edit")
    tab.get_by_label("Nickname or initials").fill("Momo")
    sign_out_elsewhere(studio)
    expect(tab.get_by_text(SAID)).to_be_visible()
    sign_in_beside(tab, seeded)
    expect(tab.get_by_text(SAID)).to_be_hidden()
    tab.get_by_role("button", name="Save").click()
    expect(tab.get_by_role("heading", level=1, name="Momo")).to_be_visible()


def test_what_was_left_lying_for_long_is_not_sent_into_nothing(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    _, seeded = studio
    tab.clock.install()
    tab.goto("/instruments/new")  # of the pages that hear nothing
    tab.get_by_label("Name or shelf number").fill("Shelf 99")
    tab.get_by_label("Body length").fill("254±2")
    sign_out_elsewhere(studio)
    tab.clock.fast_forward("20:00")
    for _ in range(2):
        tab.get_by_role("button", name="Save").click()
        expect(tab.get_by_text(SAID)).to_be_in_viewport()
    expect(tab.get_by_label("Body length")).to_have_value("254±2")
    sign_in_beside(tab, seeded)
    tab.get_by_role("button", name="Save").click()
    expect(tab.get_by_role("link", name="Shelf 99")).to_be_visible()


def test_a_point_moved_after_the_end_is_measured_after_the_next_sign_in(
    tab: Page, studio: tuple[Serving, Seeded]
) -> None:
    _, seeded = studio
    tab.route("**/news", lambda route: route.abort())  # the move itself is told
    tab.goto(f"/reviews/{seeded.arm_upload_id}")
    palm, length = tab.locator('[data-point="mid_palm"]'), tab.locator("[data-length]")
    palm.press("ArrowRight")
    expect(length).to_have_attribute("data-length", "437.0")
    sign_out_elsewhere(studio)
    palm.press("Shift+ArrowRight")
    expect(tab.get_by_text(SAID)).to_be_visible()
    expect(tab.get_by_text("the service did not answer")).to_be_hidden()
    expect(tab.get_by_role("button", name="Accept")).to_be_disabled()
    sign_in_beside(tab, seeded)
    expect(length).to_have_attribute("data-length", "447.0")
    tab.get_by_role("button", name="Accept").click()
    expect(tab.get_by_text("Arm accepted.")).to_be_visible()


def test_without_a_connection_nothing_that_was_written_is_sent_away(tab: Page, studio: tuple[Serving, Seeded]) -> None:
    tab.goto("/instruments/new")
    tab.get_by_label("Name or shelf number").fill("Shelf 99")
    tab.get_by_label("Body length").fill("254±2")
    save = tab.get_by_role("button", name="Save")
    tab.context.set_offline(True)
    for _ in range(2):
        save.click()
        expect(tab.get_by_text("There is no connection just now.")).to_have_count(1)
    expect(tab.get_by_label("Name or shelf number")).to_have_value("Shelf 99")
    tab.context.set_offline(False)
    save.click()
    expect(tab.get_by_role("link", name="Shelf 99")).to_be_visible()
