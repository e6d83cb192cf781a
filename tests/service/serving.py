"""A running service on a port of its own, for tests that need a real browser or a real socket."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI
from starlette.routing import BaseRoute

from service.measuring.pool import Measurer
from service.settings import Settings
from service.web.app import create_app
from service.web.house import House
from tests.service.seeding import SetClock

STOPPING_S = 60
"""A service stops within this on a busy machine; unloaded it takes a second or two."""


_ROUTES: dict[tuple[str, bool], list[BaseRoute]] = {}


def application(settings: Settings, pool: Measurer | None, clock: SetClock) -> FastAPI:
    """A service's application, with the routes of the first like it: making them ready takes a fifth of a second."""
    app = create_app(settings, pool, clock)
    app.router.routes = _ROUTES.setdefault((settings.role, settings.quick_page), app.router.routes)
    return app


@dataclass(frozen=True)
class Serving:
    """A service that runs in this process."""

    address: str
    app: FastAPI
    clock: SetClock

    @property
    def house(self) -> House:
        house: House = self.app.state.house
        return house


@contextmanager
def serving(
    folder: Path, clock: SetClock | None = None, pool: Measurer | None = None, **settings: Any
) -> Iterator[Serving]:
    """Run the service until the block ends; it measures for real unless it is given a `pool`."""
    clock = clock or SetClock()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    app = application(Settings(data_folder=folder, port=port, workers=1, **settings), pool, clock)
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error", access_log=False))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        if not thread.is_alive():
            raise RuntimeError("the service did not start")
        time.sleep(0.02)
    try:
        yield Serving(f"http://127.0.0.1:{port}", app, clock)
    finally:
        app.state.house.closing.set()  # as on a signal: pages that listen for news are let go
        server.should_exit = True
        thread.join(timeout=STOPPING_S)
        assert not thread.is_alive(), "the service did not stop; the next one would share its engine of durable work"


ENGINE, WHOLE = "chromium-headless-shell", ("chromium", "chromium-browser", "google-chrome")


def chromium(whole: bool = False) -> str | None:
    """Path of the system's Chromium, None where there is none.

    Where it need not be the whole browser it is the engine without windows, in which pages load in half the time.
    """
    names = WHOLE if whole else (ENGINE, *WHOLE)
    return next((path for path in map(shutil.which, names) if path), None)
