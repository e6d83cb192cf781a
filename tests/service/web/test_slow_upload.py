"""A sender that trickles its photo: told so in words, cut off, and nothing of it stays."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from sqlalchemy import func, select

from service.records.tables import Upload
from tests.service.conftest import Recorded
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving

LIMIT_S = 5
"""The shortest that can be set."""
MARK = b"trickled photo "


@pytest.fixture(scope="module")
def small_place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded, Path]]:
    folder = tmp_path_factory.mktemp("slow")
    with serving(folder, pool=Recorded(), upload_seconds=LIMIT_S) as service:
        yield service, seed(service.house), folder


def head(place: str, path: str, language: str) -> bytes:
    lines = [
        f"POST {path} HTTP/1.1",
        f"Host: {place}",
        f"Accept-Language: {language}",
        "Content-Type: multipart/form-data; boundary=b",
        "Content-Length: 1000000",
        "",
        "--b",
        'Content-Disposition: form-data; name="photos"; filename="a.jpg"',
        "Content-Type: image/jpeg",
    ]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def trickled(address: str, paths: dict[str, str]) -> dict[str, tuple[float, str]]:
    """Send each path a few bytes at a time, all at once; when each connection was closed, and what was answered."""
    place = urlsplit(address).netloc
    senders = {path: socket.create_connection(tuple(place.split(":"))) for path in paths}  # type: ignore[arg-type]
    answers, closed = dict.fromkeys(paths, b""), {}
    start = time.monotonic()
    for path, sender in senders.items():
        sender.sendall(head(place, path, paths[path]))
        sender.settimeout(0.05)
    while len(closed) < len(paths) and time.monotonic() - start < 4 * LIMIT_S:
        for path in [path for path in paths if path not in closed]:
            try:
                if not answers[path]:
                    senders[path].sendall(MARK)
                heard = senders[path].recv(65536)
                answers[path] += heard
                if not heard:
                    closed[path] = time.monotonic() - start
            except TimeoutError:
                continue
            except OSError:
                closed[path] = time.monotonic() - start
    for sender in senders.values():
        sender.close()
    return {path: (closed.get(path, 1e9), answers[path].decode()) for path in paths}


def test_a_trickling_sender_is_cut_off_in_words(small_place: tuple[Serving, Seeded, Path]) -> None:
    service, seeded, folder = small_place
    family, interface, quick = f"/f/{seeded.family}/arm", "/api/v1/arm-measurements", "/"
    with service.house.store.whole_house() as records:
        uploads = records.scalar(select(func.count()).select_from(Upload))
    files = {file for file in folder.rglob("*") if file.is_file()}

    found = trickled(service.address, {family: "en", interface: "en", quick: "de"})

    for path, (closed_after_s, answer) in found.items():
        assert answer.startswith("HTTP/1.1 408 "), (path, answer[:80])
        assert LIMIT_S - 0.5 < closed_after_s < 3 * LIMIT_S, (path, closed_after_s)
    assert "The photo did not arrive in time. Please try again" in found[family][1]
    assert "Das hat zu lange gedauert" in found[quick][1]
    said, body = found[interface][1].split("\r\n\r\n", 1)
    assert "application/problem+json" in said
    assert json.loads(body) == {
        "type": "about:blank",
        "title": "Request Timeout",
        "status": 408,
        "detail": "The photo did not arrive in time. Please try again, perhaps where the network is better.",
    }
    with service.house.store.whole_house() as records:
        assert records.scalar(select(func.count()).select_from(Upload)) == uploads
    left = {file for file in folder.rglob("*") if file.is_file()}
    assert left == files
    assert not [file for file in left if MARK in file.read_bytes()]


def test_unfinished_uploads_of_strangers_leave_room_for_a_family(tmp_path: Path) -> None:
    with serving(tmp_path, pool=Recorded(), arriving_megabytes=64) as service:
        seeded = seed(service.house)
        place = urlsplit(service.address).netloc
        arriving = next(each.kwargs["arriving"] for each in service.app.user_middleware if "arriving" in each.kwargs)
        strangers = []
        answers = []
        for number in range(4):  # 16 MB of the 64 are for strangers, so two of them
            sender = socket.create_connection(tuple(place.split(":")))  # type: ignore[arg-type]
            sender.settimeout(20)
            length = b"Content-Length: 20000000"
            sender.sendall(head(place, "/", "en").replace(b"Content-Length: 1000000", length))
            with suppress(ConnectionError):
                sender.sendall(b"x" * 6_000_000)
            strangers.append(sender)
            held, patience = 6_000_000 * min(number + 1, 2), time.monotonic() + 20
            while arriving.anonymous < held and time.monotonic() < patience:  # else their bytes would mingle
                time.sleep(0.02)
        for sender, patience_s in zip(strangers, (0.2, 0.2, 20, 20), strict=True):
            sender.settimeout(patience_s)
            try:
                answers.append(sender.recv(65536))
            except (TimeoutError, ConnectionError):
                answers.append(b"")
        refused = [answer for answer in answers if answer]
        assert len(refused) == 2, [answer[:60] for answer in answers]
        assert all(answer.startswith(b"HTTP/1.1 503") and b"retry-after: 10" in answer.lower() for answer in refused)
        fields = {"form_token": service.house.signer.form_token(seeded.family), "client_key": "one"}
        photo = {"photo": ("a.jpg", b"0" * 20_000_000)}
        sent = httpx.post(f"{service.address}/f/{seeded.family}/arm", data=fields, files=photo, timeout=20)
        assert sent.status_code == 303
        for sender in strangers:
            sender.close()


def test_a_stranger_for_whose_photo_there_is_no_room_hears_so_and_is_not_cut_off(tmp_path: Path) -> None:
    with serving(tmp_path, pool=Recorded(), arriving_megabytes=64) as service:  # 16 MB of the 64 are for strangers
        sender = HTTPConnection(urlsplit(service.address).netloc, timeout=20)
        kind = {"Content-Type": "multipart/form-data; boundary=b"}
        part = b'--b\r\nContent-Disposition: form-data; name="child_photo"; filename="a.jpg"\r\n\r\n'
        sender.request("POST", "/", part + b"0" * 30_000_000 + b"\r\n--b--\r\n", kind)  # fails where it is cut off
        told = sender.getresponse()
        assert (told.status, told.headers["retry-after"], told.headers["connection"]) == (503, "10", "close")
        sender.close()
