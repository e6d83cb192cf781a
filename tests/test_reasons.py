"""Every number that decides something has its reason beside it, and docstrings say all that a caller has to know."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("calibration", "vision", "service")
LEFT_OUT = ("migrations", "training")
"""Tables as they once were, and what networks are taught with: no number there decides in the program."""

MODULES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py") if not set(LEFT_OUT) & set(path.parts))
TRADE = [path for path in MODULES if path.is_relative_to(ROOT / "service" / "fit")]
Function = ast.FunctionDef | ast.AsyncFunctionDef


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def is_number(node: ast.expr) -> bool:
    """A number, or sums, tuples and mappings of nothing but numbers."""
    match node:
        case ast.Constant(value):
            return isinstance(value, (int, float)) and not isinstance(value, bool)
        case ast.UnaryOp(operand=operand):
            return is_number(operand)
        case ast.BinOp(left=left, right=right):
            return is_number(left) and is_number(right)
        case ast.Tuple(elts=parts) | ast.List(elts=parts):
            return bool(parts) and all(is_number(each) for each in parts)
        case ast.Dict(values=parts):
            return bool(parts) and all(is_number(each) for each in parts)
    return False


def unexplained(path: Path) -> Iterator[str]:
    """Constants of a module without words below them, which may stand below several in a row, or a comment beside."""
    lines = path.read_text().splitlines()
    body = ast.parse(path.read_text()).body
    for place, node in enumerate(body):
        if not isinstance(node, (ast.Assign, ast.AnnAssign)) or node.value is None or not is_number(node.value):
            continue
        after = place + 1
        while after < len(body) and isinstance(body[after], (ast.Assign, ast.AnnAssign)):
            if body[after].lineno != (body[after - 1].end_lineno or 0) + 1:
                break
            after += 1
        words = body[after] if after < len(body) else None
        told = (
            isinstance(words, ast.Expr) and isinstance(words.value, ast.Constant) and isinstance(words.value.value, str)
        )
        if not told and "#" not in lines[node.lineno - 1] and not lines[node.lineno - 2].startswith("#"):
            yield f"{name_of(path)}:{node.lineno} {ast.unparse(node)}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_every_number_has_its_reason(path: Path) -> None:
    assert list(unexplained(path)) == []


def public(tree: ast.Module) -> Iterator[Function]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef) and node.name.startswith("_"):
            node.body = []
    nested = {
        inner for node in ast.walk(tree) if isinstance(node, Function) for inner in ast.walk(node) if inner is not node
    }
    for node in ast.walk(tree):
        if isinstance(node, Function) and node not in nested and not node.name.startswith("_"):
            yield node


def section(words: str, title: str) -> list[str]:
    """Names that a numpydoc section lists."""
    found = re.search(rf"^{title}\n-+\n(.*?)(?=^\w[^\n]*\n-+\n|\Z)", words, re.M | re.S)
    if found is None:
        return []
    heads = [line.split(" :")[0] for line in found[1].splitlines() if line and not line.startswith(" ")]
    return [name.strip().lstrip("*") for head in heads for name in head.split(",")]


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_parameters_are_described_all_or_in_a_sentence(path: Path) -> None:
    """Where a docstring lists parameters it lists each of them, and none that is not there."""
    for node in public(ast.parse(path.read_text())):
        words = ast.get_docstring(node) or ""
        assert words or any("overload" in ast.unparse(each) for each in node.decorator_list), f"{node.name}: no words"
        listed = section(words, "Parameters")
        given = node.args
        every = [*given.posonlyargs, *given.args, *given.kwonlyargs, *filter(None, (given.vararg, given.kwarg))]
        names = [each.arg for each in every if each.arg not in ("self", "cls")]
        if listed:
            assert sorted(listed) == sorted(names), f"{name_of(path)}:{node.lineno} {node.name}"


@pytest.mark.parametrize("path", TRADE, ids=name_of)
def test_what_the_trade_raises_is_said(path: Path) -> None:
    """A function that refuses its input by itself says so under Raises."""
    for node in public(ast.parse(path.read_text())):
        raised = {
            ast.unparse(each.exc).split("(")[0] for each in ast.walk(node) if isinstance(each, ast.Raise) and each.exc
        }
        told = {name for name in raised if name.endswith("Error")}
        if told and not node.name.startswith("__"):
            assert section(ast.get_docstring(node) or "", "Raises"), f"{name_of(path)}:{node.lineno} {node.name}"


@pytest.mark.parametrize("path", TRADE, ids=name_of)
def test_lengths_of_the_trade_name_their_unit(path: Path) -> None:
    """A bare number that is a length says so in its name, or its docstring says in which unit it is."""
    for node in public(ast.parse(path.read_text())):
        words = ast.get_docstring(node) or ""
        for each in node.args.args:
            kind = "" if each.annotation is None else ast.unparse(each.annotation)
            if kind.startswith(("float", "Array")) and not each.arg.endswith(
                ("_mm", "_mm2", "_deg", "_years", "_days")
            ):
                assert re.search(rf"\b{each.arg}\b|any unit|one unit|mm|years|probab|share|months|shape", words), (
                    f"{name_of(path)}:{node.lineno} {node.name}({each.arg})"
                )
