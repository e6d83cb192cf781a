"""The examples in the docstrings of the sizing trade are true."""

import doctest
import importlib
import pkgutil

import pytest

import service.fit

MODULES = sorted(each.name for each in pkgutil.iter_modules(service.fit.__path__, "service.fit."))


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_there_are_examples():
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = [each for name in MODULES for each in finder.find(importlib.import_module(name)) if each.examples]
    assert len(found) >= 5
