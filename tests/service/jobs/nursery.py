"""Services that are killed, each a process of its own: forked from one that has loaded all they need.

Loading takes longer than what is tried on them.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

from service.measuring.forking import forking


@dataclass(frozen=True)
class Life:
    """A process that serves."""

    pid: int

    @property
    def lasts(self) -> bool:
        try:
            os.kill(self.pid, 0)
        except ProcessLookupError:
            return False
        return True

    def end(self, by: signal.Signals = signal.SIGKILL) -> None:
        """End it, and wait until it is gone; twice is once."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, by)
        while self.lasts:
            time.sleep(0.01)


class Nursery:
    """The process that others are forked from; what still lives when it is closed is killed."""

    def __init__(self) -> None:
        context = forking()  # a process has one server to fork from, which other tests share
        self._asked, theirs = context.Pipe()
        self._process = context.Process(target=_bear, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()

    def begin(self, serve: Callable[..., None], *arguments: Any, environment: Mapping[str, str] | None = None) -> Life:
        """Let a function serve in a process of its own."""
        self._asked.send((serve, arguments, dict(environment or {})))
        return Life(self._asked.recv())

    def close(self) -> None:
        self._asked.close()
        self._process.join(20)


def _bear(asked: Connection) -> None:
    """Fork a process for each function that is asked for; its module is loaded by then, and stays."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # whoever ends is gone at once
    born: list[int] = []
    while True:
        try:
            serve, arguments, environment = asked.recv()
        except EOFError:
            break
        pid = os.fork()
        if pid == 0:
            asked.close()
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            os.environ.update(environment)
            try:
                serve(*arguments)
            finally:
                os._exit(0)
        born.append(pid)
        asked.send(pid)
    for pid in born:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
