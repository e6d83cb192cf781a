"""Teachers are told by mail that photos have arrived: once for what belongs together, and without a name."""

from __future__ import annotations

import asyncio
import re
import socketserver
import threading
import time
from collections.abc import Callable, Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

import pytest

from service.jobs import telling
from service.measuring.outcome import Outcome
from service.records.tables import TEACHER, Child, PhotoRequest, Teacher
from tests.service.conftest import Place
from tests.service.jobs.test_deletion import send
from tests.service.seeding import Seeded, seed
from tests.waiting import until

TOLD_AFTER_S = 0.5
"""Here what belongs together comes within so long, s."""


class Postbox(socketserver.ThreadingTCPServer):
    """A mail server (RFC 5321) that keeps what it is handed.

    The first `refusals` messages it refuses for now, and what is for one of the `unknown` for good.
    """

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, refusals: int = 0) -> None:
        super().__init__(("127.0.0.1", 0), Talk)
        self.mails: list[EmailMessage] = []
        self.refusals = refusals
        self.unknown: set[str] = set()


class Talk(socketserver.StreamRequestHandler):
    """One conversation."""

    server: Postbox

    def handle(self) -> None:
        self.say("220 postbox")
        while line := self.rfile.readline():
            word = line[:4].upper()
            if word == b"DATA":
                self.say("354 go on")
                self.take()
            elif word == b"RCPT" and any(each.encode() in line for each in self.server.unknown):
                self.say("550 nobody of that name")
            else:
                self.say("250 well")
            if word == b"QUIT":
                return

    def take(self) -> None:
        lines = []
        while (line := self.rfile.readline()) != b".\r\n":
            lines.append(line)
        if self.server.refusals > 0:
            self.server.refusals -= 1
            self.say("451 later")
            return
        mail = message_from_bytes(b"".join(lines), policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.server.mails.append(mail)
        self.say("250 taken")

    def say(self, words: str) -> None:
        self.wfile.write(words.encode() + b"\r\n")


@pytest.fixture
def postbox() -> Iterator[Postbox]:
    box = Postbox()
    threading.Thread(target=box.serve_forever, daemon=True).start()
    yield box
    box.shutdown()


@pytest.fixture
def studio(open_place: Callable[..., Place], postbox: Postbox, monkeypatch: pytest.MonkeyPatch) -> tuple[Place, Seeded]:
    monkeypatch.setattr(telling, "TELL_AFTER_S", TOLD_AFTER_S)
    place = open_place(
        mail_server="127.0.0.1",
        mail_port=postbox.server_address[1],
        mail_security="none",
        mail_from="studio@example.org",
        public_url="https://fit.example.org",
    )
    place.clock.forward(minutes=10)
    return place, seed(place.house)


def mails(postbox: Postbox, at_least: int = 1) -> list[EmailMessage]:
    deadline = time.monotonic() + 30
    while len(postbox.mails) < at_least and time.monotonic() < deadline:
        time.sleep(0.05)
    return list(postbox.mails)


def test_one_mail_tells_of_two_photos_and_names_nobody(studio: tuple[Place, Seeded], postbox: Postbox) -> None:
    place, seeded = studio
    for key in ("one", "two"):
        send(place, seeded, b"good", key)
    (mail,) = mails(postbox)
    time.sleep(TOLD_AFTER_S + 1.0)
    assert len(postbox.mails) == 1, "the second photo was told of with the first"
    assert mail["To"] == seeded.email
    text = mail.as_string()
    assert "https://fit.example.org/children" in text
    with place.house.store.for_studio(seeded.studio_id) as records:
        private = {each.nickname for each in records.query(Child)} | {seeded.child_id, seeded.request_id, "436"}
    text = text.replace("example.org/children", "")
    # whole words: a day's name in the head may begin as a child is called
    assert not [each for each in private if re.search(rf"\b{re.escape(each)}\b", text)]


def test_a_later_photo_is_told_of_again_in_the_teachers_language(
    studio: tuple[Place, Seeded], postbox: Postbox
) -> None:
    place, seeded = studio
    send(place, seeded, b"good", "one")
    mails(postbox)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).language = "de"
    place.clock.forward(hours=2)
    send(place, seeded, b"another good one", "two")
    first, second = mails(postbox, 2)
    assert first["Subject"] == "Photos have arrived"
    assert second["Subject"] == "Fotos sind angekommen"
    assert first["Message-ID"] != second["Message-ID"]


def test_a_photo_that_is_still_measured_when_the_first_is_told_of_is_told_of_too(
    studio: tuple[Place, Seeded], postbox: Postbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded = studio
    send(place, seeded, b"good", "one")
    place.clock.forward(minutes=1)
    told, at_once = threading.Event(), place.pool.arm

    async def later(*asked: Any) -> Outcome:
        await asyncio.to_thread(told.wait, 30)
        return await at_once(*asked)

    monkeypatch.setattr(place.pool, "arm", later)
    sending = threading.Thread(target=send, args=(place, seeded, b"another good one", "two"))
    sending.start()
    assert len(mails(postbox)) == 1
    place.clock.forward(minutes=4)
    told.set()
    sending.join()
    assert len(mails(postbox, 2)) == 2


def test_a_refused_photo_and_a_teacher_who_does_not_want_it_get_no_mail(
    studio: tuple[Place, Seeded], postbox: Postbox
) -> None:
    place, seeded = studio
    send(place, seeded, b"bad", "one")
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).told_by_mail = False
    send(place, seeded, b"good", "two")
    time.sleep(TOLD_AFTER_S + 1.5)
    assert postbox.mails == []


def test_a_busy_mail_server_holds_nothing_up(
    studio: tuple[Place, Seeded], postbox: Postbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded = studio
    postbox.refusals = 1
    send(place, seeded, b"good", "one")
    until(lambda: postbox.refusals == 0)
    assert place.client.get("/api/v1/health").status_code in (200, 503), "the service goes on"


def test_an_address_that_is_refused_keeps_nobody_elses_mail_back(
    studio: tuple[Place, Seeded], postbox: Postbox
) -> None:
    place, seeded = studio
    with place.house.store.for_studio(seeded.studio_id) as records:
        first = records.get_one(Teacher, seeded.teacher_id)
        for name in ("ben", "cleo"):
            made = {"studio_id": first.studio_id, "password_hash": "", "role": TEACHER, "language": "en"}
            records.add(Teacher(email=f"{name}@example.org", name=name, created_at=first.created_at, **made))
    postbox.unknown = {seeded.email, "cleo@example.org"}
    send(place, seeded, b"good")
    (mail,) = mails(postbox)
    assert mail["To"] == "ben@example.org"
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert until(lambda: records.get_one(PhotoRequest, seeded.request_id, populate_existing=True).told_at)
