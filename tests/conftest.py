"""Fixtures shared by all rooms."""

import gc
import os
import time
from pathlib import Path

# before anything loads them: the matrices here are so small that threads for them only wait for each other
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import WorkStealingScheduling

settings.register_profile("any machine", deadline=None)  # an example may be slow where other tests run beside it
settings.load_profile("any machine")


def pytest_configure() -> None:
    """Days and times are those of the machine, and what tests expect is written in UTC."""
    os.environ["TZ"] = "UTC"
    time.tzset()


def pytest_collection_finish() -> None:
    """What was imported stays: to look through it for garbage, again and again, took a tenth of the time."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> WorkStealingScheduling:
    """A half of neighbouring tests for each process: what a file's tests share is made once, not in both."""
    return WorkStealingScheduling(config, log)


SHARED = Path(__file__).resolve().parents[2] / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of test scenes and check data beside the checkout; tests that need it skip where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("the shared folder with test scenes is not beside this checkout")
    return SHARED
