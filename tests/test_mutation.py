"""The mutation run: what it changes, and that changes are noticed or not."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutation.mutants import mutants_of, sampled
from tests.mutation.rooms import ROOMS

CODE = '''
"""Words stay."""
LIMIT = 2.0


def judged(length: float, count: int = 3) -> bool:
    """Words stay."""
    if length < LIMIT or count < 1:
        raise ValueError(1 + 1)
    count += 1
    return scaled(length, count) - 0.5 > 7.0
'''


@pytest.fixture
def code(tmp_path: Path) -> Path:
    path = tmp_path / "code.py"
    path.write_text(CODE)
    return path


def test_what_is_changed(code: Path) -> None:
    changes = {(mutant.before, mutant.after) for mutant in mutants_of("code", code)}
    assert changes == {
        ("2.0", "4.0"),
        ("3", "4"),
        ("length < LIMIT or count < 1", "not (length < LIMIT or count < 1)"),
        ("length < LIMIT or count < 1", "length < LIMIT and count < 1"),
        ("length < LIMIT", "length > LIMIT"),
        ("count < 1", "count <= 1"),
        ("1", "2"),
        ("count += 1", "nothing"),
        ("scaled(length, count) - 0.5 > 7.0", "scaled(length, count) - 0.5 < 7.0"),
        ("scaled(length, count) - 0.5", "scaled(length, count) + 0.5"),
        ("scaled(length, count) - 0.5", "scaled(length, count)"),
        ("scaled(length, count)", "scaled(count, length)"),
        ("0.5", "1.0"),
        ("7.0", "14.0"),
    }


def test_what_is_the_same_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "same.py"
    path.write_text("pairs = list(zip(a, b.reshape(-1, 2), strict=True))\n")
    changes = {(mutant.before, mutant.after) for mutant in mutants_of("same", path)}
    assert changes == {("-1", "1"), ("2", "3"), ("b.reshape(-1, 2)", "b.reshape(2, -1)")}


def test_each_change_is_one_change(code: Path) -> None:
    for mutant in mutants_of("code", code):
        compile(mutant.tree(), "code", "exec")
    assert code.read_text() == CODE


def test_a_sample_is_the_same_for_the_same_seed(code: Path) -> None:
    every = mutants_of("code", code)
    assert sampled(every, 5, 1) == sampled(every, 5, 1) != sampled(every, 5, 2)
    assert len(set(sampled(every, 5, 1))) == 5
    assert sampled(every, None, 1) == every


@pytest.mark.parametrize("name", ROOMS)
def test_rooms_have_modules_and_tests(name: str) -> None:
    assert ROOMS[name].modules()
    assert all((Path(__file__).parents[1] / test).exists() for test in ROOMS[name].tests)
