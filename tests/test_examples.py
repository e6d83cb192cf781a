"""The examples in docstrings: each runs and prints what it says."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("calibration", "vision", "service")


def modules() -> list[str]:
    """Names of the modules with examples."""
    paths = (path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py")) if ">>> " in path.read_text())
    return [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in paths]


@pytest.mark.parametrize("name", modules())
def test_examples_print_what_they_say(name: str) -> None:
    with np.printoptions(precision=8, suppress=False, legacy=False):
        result = doctest.testmod(importlib.import_module(name), extraglobs={"np": np})
    assert result.attempted > 0
    assert result.failed == 0


def test_there_are_examples_in_every_room() -> None:
    assert {name.partition(".")[0] for name in modules()} == set(ROOMS)
