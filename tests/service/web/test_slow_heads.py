"""A head that trickles: its sender is cut off, whoever is merely slow or keeps a connection is not."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing

import pytest
import uvicorn
from starlette.responses import PlainTextResponse

from service.web.gate.heads import PromptHeads
from tests.service.shared_places import free_port
from tests.waiting import until

LIMIT_S = 1.0


class Hurried(PromptHeads):
    head_s = LIMIT_S


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    number = free_port()
    config = uvicorn.Config(PlainTextResponse("well"), port=number, http=Hurried, log_level="critical")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until(lambda: server.started)
    yield number
    server.should_exit = True
    thread.join(30)


def connected(port: int) -> socket.socket:
    found = socket.create_connection(("127.0.0.1", port))
    found.settimeout(30)
    return found


def answer_of(sender: socket.socket) -> bytes:
    """Read until the answer's four bytes have come, which may be by themselves."""
    heard = b""
    while not heard.endswith(b"well") and (more := sender.recv(4096)):
        heard += more
    return heard


def trickle(sender: socket.socket, text: bytes, pause_s: float) -> None:
    """Send a byte at a time until the other side hangs up."""
    for at in range(len(text)):
        try:
            sender.sendall(text[at : at + 1])
        except OSError:
            return
        time.sleep(pause_s)


@pytest.mark.parametrize("first", [b"", b"GET / HTTP/1.1\r\nHost: a\r\n\r\n"])
def test_a_trickled_head_is_cut_off(port: int, first: bytes) -> None:
    with closing(connected(port)) as sender:
        if first:
            sender.sendall(first)
            assert answer_of(sender).endswith(b"well")
        begun = time.monotonic()
        threading.Thread(
            target=trickle, args=(sender, b"GET / HTTP/1.1\r\nX: " + b"a" * 600, 0.05), daemon=True
        ).start()
        try:
            heard = sender.recv(4096)
        except ConnectionResetError:
            heard = b""
        assert heard == b""
        assert time.monotonic() - begun < 25, "it would have trickled for half a minute"


def test_whoever_says_nothing_is_cut_off(port: int) -> None:
    with closing(connected(port)) as sender:
        assert sender.recv(4096) == b""


def test_a_whole_head_is_answered_however_it_came(port: int) -> None:
    with closing(connected(port)) as sender:
        trickle(sender, b"GET / HTTP/1.1\r\nHost: a\r\n\r\n", 0.005)
        assert answer_of(sender).endswith(b"well")
