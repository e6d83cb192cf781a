"""No number of an answer moves unnoticed; see `tests.service.fit.kept`."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.service.fit import kept


def leaves(found: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every value with the way to it."""
    if isinstance(found, (dict, list)):
        for name, value in found.items() if isinstance(found, dict) else enumerate(found):
            yield from leaves(value, f"{path}/{name}")
        if not found:
            yield path, found
    else:
        yield path, found


@pytest.mark.parametrize("part", kept.PARTS)
def test_answers_are_as_they_were_last_looked_over(part: str) -> None:
    """Numbers to a millionth: as far as another processor's arithmetic may differ."""
    before, now = dict(leaves(json.loads(kept.KEPT.read_text())[part])), dict(leaves(kept.answers(part)))
    assert set(now) == set(before)
    moved = {
        path: (before[path], value)
        for path, value in now.items()
        if value != before[path]
        and not (isinstance(value, float) and value == pytest.approx(before[path], rel=1e-6, abs=1e-6))
    }
    assert not moved
