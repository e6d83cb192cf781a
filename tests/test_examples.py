"""The examples in the docstrings of the rooms without pixels or people: each runs and prints what it says."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import numpy as np
import pytest

ROOMS = ("calibration", "service.fit")


def modules() -> list[str]:
    packages = [(room, importlib.import_module(room).__path__) for room in ROOMS]
    return [f"{room}.{found.name}" for room, path in packages for found in pkgutil.iter_modules(path)]


@pytest.mark.parametrize("name", modules())
def test_examples_print_what_they_say(name: str) -> None:
    with np.printoptions(precision=8, suppress=False, legacy=False):
        result = doctest.testmod(importlib.import_module(name), extraglobs={"np": np})
    assert result.failed == 0


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = [case for name in modules() for case in finder.find(importlib.import_module(name))]
    assert sum(len(case.examples) for case in found) >= 8
