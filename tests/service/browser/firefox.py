"""The system's Firefox by its own remote protocol (Marionette), for walks that need no more than scripts and files.

Firefox speaks it without a driver between: messages are JSON behind their length, a command is [0, id, name, fields],
an answer [1, id, fault, result] (Firefox source docs, "Marionette protocol").
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.waiting import until

PATIENCE_S = 60
ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
"""Key of a reference to an element (W3C WebDriver, 12)."""


def firefox() -> str | None:
    """Path of the system's Firefox, None where there is none."""
    return shutil.which("firefox-esr") or shutil.which("firefox")


class Fault(Exception):
    """Raised where Firefox refuses a command, for instance on a page that is just being left."""


class Fox:
    """A page of Firefox."""

    def __init__(self, line: socket.socket) -> None:
        self._line, self._number = line, 0
        self._answer()  # it says which protocol it speaks

    def _answer(self) -> Any:
        length = b""
        while not length.endswith(b":"):
            length += self._some(1)
        return json.loads(self._some(int(length[:-1])))

    def _some(self, count: int) -> bytes:
        got = b""
        while len(got) < count:
            more = self._line.recv(count - len(got))
            if not more:
                raise ConnectionError("Firefox has gone")
            got += more
        return got

    def ask(self, name: str, **fields: Any) -> Any:
        """Send a command and give its result."""
        self._number += 1
        message = json.dumps([0, self._number, name, fields]).encode()
        self._line.sendall(b"%d:%b" % (len(message), message))
        _, _, fault, result = self._answer()
        if fault:
            raise Fault(f"{name}: {fault['error']}: {fault['message']}")
        return result

    def go(self, address: str) -> None:
        self.ask("WebDriver:Navigate", url=address)

    def script(self, body: str, *values: Any) -> Any:
        """Run a script in the page; what it returns."""
        return self.ask("WebDriver:ExecuteScript", script=body, args=list(values))["value"]

    def eventually(self, body: str, *values: Any) -> None:
        """Wait until a script returns something true, over pages that come and go."""

        def holds() -> bool:
            try:
                return bool(self.script(body, *values))
            except Fault:
                return False

        until(holds, PATIENCE_S)

    def choose(self, selector: str, file: Path) -> None:
        """Give a file to a field for files."""
        field = self.ask("WebDriver:FindElement", using="css selector", value=selector)["value"][ELEMENT]
        self.ask("WebDriver:ElementSendKeys", id=field, text=str(file))


@contextmanager
def running_firefox(program: str, folder: Path, language: str) -> Iterator[Fox]:
    """Start Firefox without a window and with a profile of its own, until the block ends."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = {
        "marionette.port": port,
        "intl.accept_languages": language,
        "datareporting.policy.dataSubmissionEnabled": False,
    }
    lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in settings.items()]
    (folder / "user.js").write_text("\n".join(lines), encoding="utf-8")
    command = [program, "--headless", "--marionette", "--no-remote", "--profile", str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    lines_to: list[socket.socket] = []

    def listens() -> bool:
        try:
            lines_to.append(socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S))
        except OSError:
            return False
        return True

    try:
        until(listens, PATIENCE_S)
        fox = Fox(lines_to[0])
        fox.ask("WebDriver:NewSession", capabilities={})
        yield fox
    finally:
        for line in lines_to:
            line.close()
        process.terminate()
        try:
            process.wait(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
