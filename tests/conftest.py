"""Fixtures shared by all rooms."""

from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of test scenes and check data beside the checkout; tests that need it skip where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("the shared folder with test scenes is not beside this checkout")
    return SHARED
