"""Fixtures shared by all rooms."""

from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("any machine", deadline=None)  # an example may be slow where other tests run beside it
settings.load_profile("any machine")

SHARED = Path(__file__).resolve().parents[2] / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of test scenes and check data beside the checkout; tests that need it skip where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("the shared folder with test scenes is not beside this checkout")
    return SHARED
