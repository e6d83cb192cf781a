"""A film in a real browser with real measuring, as phones save it: upright as MP4, and lying as MOV."""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import Browser, expect

from service.records.photos import ORIGINAL, OVERLAY, VIEW
from service.records.tables import Upload
from tests.service.browser.conftest import PHONE, SAMPLES
from tests.service.seeding import seed
from tests.service.serving import serving
from tests.vision.filming import lying

MEASURING_MS = 120_000
TRUE_MM = 487.7
"""As `sample_images/README.md` says of child-4."""


def test_a_film_is_sent_measured_and_reviewed(browser: Browser, tmp_path: Path) -> None:
    upright = (SAMPLES / "child-4.mp4").read_bytes()
    films = {"VID_1.mp4": ("video/mp4", upright), "IMG_2.MOV": ("video/quicktime", lying(upright, "mov"))}
    with serving(tmp_path, film_megabytes=12) as service:
        seeded = seed(service.house)
        phone = browser.new_context(locale="en-GB", **PHONE).new_page()  # type: ignore[arg-type]
        desk = browser.new_context(viewport={"width": 1280, "height": 900}, locale="en-GB")
        desk.add_cookies([{"name": "scrollreach", "value": seeded.session, "url": service.address}])
        table = desk.new_page()
        phone.goto(f"{service.address}/f/{seeded.family}/arm")
        large = {"name": "a.mov", "mimeType": "video/quicktime", "buffer": upright + bytes(12 * 2**20)}
        phone.set_input_files("#film", large)
        expect(phone.locator("[data-status]")).to_contain_text("larger than we accept")
        for name, (kind, film) in films.items():
            phone.goto(f"{service.address}/f/{seeded.family}/arm")
            phone.set_input_files("#film", {"name": name, "mimeType": kind, "buffer": film})
            expect(phone.locator(".preview.name")).to_have_text(name)
            phone.get_by_role("button", name="Send the photo").click()
            phone.wait_for_url(re.compile(r"/photo/[0-9a-f]{32}$"), timeout=MEASURING_MS)
            expect(phone.get_by_role("heading", level=1)).to_have_text("This film is good", timeout=MEASURING_MS)
            assert phone.locator("img.photo").evaluate("image => image.naturalWidth") == 1280
            upload_id = phone.url.rsplit("/", 1)[1]
            with service.house.store.for_studio(seeded.studio_id) as records:
                found = (records.get_one(Upload, upload_id).result or {})["arm_length"]
            assert found["low_mm"] < TRUE_MM < found["high_mm"]
            kept = {each for each in (ORIGINAL, OVERLAY, VIEW) if service.house.photos.has(upload_id, each)}
            assert kept == {ORIGINAL, OVERLAY, VIEW}
            table.goto(f"{service.address}/reviews/{upload_id}")
            expect(table.locator("main")).to_contain_text("This was measured in a film")
            assert table.locator(".stage img").evaluate("image => image.naturalWidth") == 1280
            table.get_by_role("button", name="Accept").click()
            expect(table).not_to_have_url(re.compile(upload_id))
            assert not any(service.house.photos.has(upload_id, each) for each in (ORIGINAL, VIEW))
