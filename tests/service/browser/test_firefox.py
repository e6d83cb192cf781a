"""The family's way in the system's Firefox; what needs more than scripts is walked in Chromium."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.records.tables import PhotoRequest
from tests.service.browser.conftest import SAMPLES
from tests.service.browser.firefox import Fox, firefox, running_firefox
from tests.service.browser.spoken import Said, spoken
from tests.service.conftest import Recorded
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving

PRESS = """const found = [...document.querySelectorAll("button, a.button")]
  .find(each => each.textContent.trim() === arguments[0] && each.offsetParent);
if (found) found.click();
return Boolean(found);"""
HEADING = "return document.readyState === 'complete' && document.querySelector('h1').textContent === arguments[0];"


class Family:
    """A family at its link in Firefox."""

    def __init__(self, fox: Fox, said: Said) -> None:
        self.fox, self.said = fox, said

    def press(self, name: str) -> None:
        self.fox.eventually(PRESS, self.said(name))

    def stands(self, title: str) -> None:
        self.fox.eventually(HEADING, self.said(title))

    def send(self, photo: Path, result: str) -> None:
        self.fox.choose("#photo", photo)
        self.fox.eventually("return document.querySelector('.preview') !== null;")
        self.press("Send the photo")
        self.stands(result)


def as_new(service: Serving, seeded: Seeded) -> str:
    """The family's link, of which nothing is known yet."""
    with service.house.store.for_studio(seeded.studio_id) as records:
        asked = records.get_one(PhotoRequest, seeded.request_id)
        asked.language, asked.consent_at, asked.bar_mm = "ar", None, None
    return f"{service.address}/f/{seeded.family}"


def test_a_family_gets_through_in_firefox(tmp_path: Path) -> None:
    program = firefox()
    if program is None:
        pytest.skip("no Firefox on this machine: the family's way is walked in Chromium only")
    profile, unreadable, pool = tmp_path / "profile", tmp_path / "bad.jpg", Recorded()
    profile.mkdir()
    unreadable.write_bytes(b"bad")
    with serving(tmp_path / "data", pool=pool) as service, running_firefox(program, profile, "ar") as fox:
        family = Family(fox, spoken("ar"))
        fox.go(as_new(service, seed(service.house)))
        fox.script("document.querySelector('[name=adult]').click();")
        family.press("Begin")
        family.stands("Print the sheet")
        fox.script("document.querySelector('#bar').value = '149,5';")
        family.press("Next")
        family.stands("Photo of the child")
        family.send(unreadable, "Please take it again")
        family.press("Take it again")
        family.stands("Photo of the child")
        family.send(SAMPLES / "child-1.jpg", "This photo is good")
        assert fox.script("return document.querySelector('img.photo').naturalWidth;") > 400
        family.press("Take it again")
        family.stands("Photo of the child")
        fox.go(fox.script("return location.href.replace(/arm$/, 'instrument');"))
        family.send(SAMPLES / "instrument-1.jpg", "This photo is good")
        family.press("Finished: tell the teacher")
        family.stands("Thank you")
        assert (
            fox.script("return [document.documentElement.dir, getComputedStyle(document.body).direction];")
            == ["rtl"] * 2
        )
        assert fox.script("return document.documentElement.scrollWidth <= innerWidth;")
    assert pool.measured == ["arm", "arm", "instrument"]
    assert pool.bars_mm == [149.5] * 3
