"""A teacher sets up a second factor in a real browser, signs in with it, and gets back in without the phone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyotp
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.service.browser.conftest import PHONE
from tests.service.conftest import Recorded
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.serving import Serving, serving


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path, pool=Recorded()) as service:
        yield service, seed(service.house)


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(**PHONE, bypass_csp=True)  # type: ignore[arg-type]
    yield context.new_page()
    context.close()


def sign_in(phone: Page, service: Serving, seeded: Seeded) -> None:
    phone.goto(f"{service.address}/sign-in")
    phone.get_by_label("E-mail address").fill(seeded.email)
    phone.get_by_label("Password").fill(PASSWORD)
    phone.get_by_role("button", name="Sign in").click()


def set_up(phone: Page, service: Serving) -> tuple[pyotp.TOTP, list[str]]:
    """Go through the pages; what makes the codes, and the recovery codes."""
    phone.goto(f"{service.address}/account")
    part = phone.locator("section", has=phone.get_by_role("heading", name="Second factor", exact=True))
    part.get_by_label("Present password").fill(PASSWORD)
    part.get_by_role("button", name="Set it up").click()
    assert phone.locator(".qr svg").bounding_box() is not None
    maker = pyotp.TOTP(phone.locator("code.key").inner_text().replace(" ", ""))
    phone.get_by_label("Code", exact=True).fill(maker.at(service.clock.now()))
    phone.get_by_role("button", name="Switch it on").click()
    return maker, phone.locator(".codes code").all_inner_texts()


def test_a_second_factor_from_setting_up_to_the_lost_phone(phone: Page, studio: tuple[Serving, Seeded]) -> None:
    service, seeded = studio
    sign_in(phone, service, seeded)
    maker, codes = set_up(phone, service)
    assert len(codes) == 8
    phone.get_by_role("button", name="Sign out", exact=True).click()
    service.clock.forward(minutes=2)
    sign_in(phone, service, seeded)
    phone.get_by_label("Code").fill(maker.at(service.clock.now()))
    phone.get_by_role("button", name="Sign in").click()
    phone.wait_for_url("**/children")
    phone.get_by_role("button", name="Sign out", exact=True).click()
    sign_in(phone, service, seeded)
    phone.get_by_label("Code").fill(codes[3])
    phone.get_by_role("button", name="Sign in").click()
    expect(phone.get_by_text("Is the phone lost?")).to_be_visible()  # and where to go on: else the codes run out
    part = phone.locator("section", has=phone.get_by_role("heading", name="Second factor", exact=True))
    part.get_by_label("Present password").fill(PASSWORD)
    part.get_by_role("button", name="Switch it off").click()
    expect(phone.get_by_text("The second factor is switched off.")).to_be_visible()
    anew, _ = set_up(phone, service)
    assert anew.secret != maker.secret


def test_a_refused_password_is_asked_for_again_where_it_was_typed(phone: Page, studio: tuple[Serving, Seeded]) -> None:
    service, seeded = studio
    sign_in(phone, service, seeded)
    phone.goto(f"{service.address}/account")
    part = phone.locator("section", has=phone.get_by_role("heading", name="Password", exact=True))
    part.get_by_label("Present password").fill("not the right one")
    for label in ("New password", "The password once more"):
        part.get_by_label(label).fill("eleven quiet violas hum")
    part.get_by_role("button", name="Set the password").click()
    expect(part.get_by_role("alert")).to_be_in_viewport()  # and not above it, as if nothing had happened
    expect(part.get_by_label("Present password")).to_be_focused()
