"""Waiting in tests: for a coroutine, and for what happens by itself."""

import asyncio
import time
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def finished(story: Coroutine[Any, Any, T]) -> T:
    """What a coroutine gives, run in a thread of its own: browser tests leave a loop running in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, story).result()


def until(true: Callable[[], T], seconds: float = 20.0) -> T:
    """Wait until something is so, and give it."""
    deadline = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < deadline, "it did not come to be"
        time.sleep(0.02)
    return found
