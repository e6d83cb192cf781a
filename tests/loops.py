"""Coroutines awaited in tests."""

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def finished(story: Coroutine[Any, Any, T]) -> T:
    """What a coroutine gives, run in a thread of its own: browser tests leave a loop running in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, story).result()
