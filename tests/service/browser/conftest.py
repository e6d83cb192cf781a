"""A real Chromium for the browser tests, and the samples the family sends."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.service.seeding import Seeded
from tests.service.serving import Serving, chromium

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True, "device_scale_factor": 2}


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's Chromium; tests that need it skip where there is none."""
    file = chromium()
    if file is None:
        pytest.skip("no Chromium on this machine: the pages cannot be walked in a browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=file)
        yield browser
        browser.close()


@pytest.fixture
def phone(browser: Browser) -> Iterator[BrowserContext]:
    """A family's phone."""
    context = browser.new_context(locale="en-GB", **PHONE)  # type: ignore[arg-type]
    yield context
    context.close()


@contextmanager
def teachers_tab(browser: Browser, studio: tuple[Serving, Seeded], **screen: Any) -> Iterator[Page]:
    """A signed-in teacher's page, on which no script may fail and nothing offend its policy."""
    service, seeded = studio
    context = browser.new_context(base_url=service.address, **screen)
    context.add_cookies([{"name": "scrollreach", "value": seeded.session, "url": service.address}])
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if "Content Security" in message.text else None)
    yield page
    context.close()
    assert faults == []
