"""Workers: what runs out of time, what that does to the next photo, and one that dies as it starts."""

from __future__ import annotations

import hashlib
import os
import time
from concurrent.futures import wait

import pytest

from service.measuring.pool import STOPPING_S, MeasuringPool
from tests.waiting import finished, until


def hash_for_long() -> bytes:
    """One call of a C library that hears no signal until it is through, as decoders are; some minutes."""
    return hashlib.pbkdf2_hmac("sha256", b"a", b"b", 500_000_000)


def answer() -> int:
    return 1


@pytest.mark.timed
def test_what_hears_no_signal_is_ended_soon_after_its_time() -> None:
    with MeasuringPool(1, photo_seconds=2.0) as pool:
        assert finished(pool._answer(answer, photos=5)) == 1
        begun = time.monotonic()
        with pytest.raises(TimeoutError):
            finished(pool._answer(hash_for_long))
        assert time.monotonic() - begun < 2.0 + STOPPING_S + 2.0
        assert finished(pool._answer(answer, photos=5)) == 1


def test_a_worker_that_dies_as_it_starts_is_not_the_last_word() -> None:
    with MeasuringPool(1) as pool:
        pool._first_answer = pool._schedule(os._exit, 1)
        wait([pool._first_answer])
        until(lambda: finished(pool.is_ready()))
