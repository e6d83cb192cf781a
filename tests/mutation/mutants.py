"""Changes of a module's code, one at a time, on its syntax tree.

Changed are operators, comparisons, conditions, numbers, signs, the order of arguments, and terms are left out.  Left
alone are words, annotations, imports, decorators and what is raised: no measurement hangs on them.  A comparison of
measured numbers is turned round rather than moved by its boundary, which such numbers never hit; whole numbers are.
Nor are changed what is the same by the library's own words: the number of the -1 that stands for what is left in a
reshape, and whether `zip` complains of unequal lengths, which callers that are right never have.
"""

from __future__ import annotations

import ast
import copy
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
_TERMS = (ast.Add, ast.Sub, ast.Mult, ast.Div)
_TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.Gt,
    ast.Gt: ast.Lt,
    ast.LtE: ast.Gt,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_MOVED: dict[type[ast.cmpop], type[ast.cmpop]] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_SYMMETRIC = {"hypot", "max", "min", "maximum", "minimum", "isinstance", "zip", "isclose", "product", "getattr"}


@dataclass(frozen=True)
class Mutant:
    """One change.

    Attributes
    ----------
    module : str
        Name of the module.
    path : Path
        Its file.
    number : int
        Which of the module's changes.
    lines : range
        Lines of the statement that is changed.
    at_import : bool
        Whether it is run when the module is imported, and not within a function.
    function : str
        The function in which it is; empty outside functions.
    within : str
        First line of the statement in which it is.
    before, after : str
        The changed expression or statement.
    """

    module: str
    path: Path
    number: int
    lines: range
    at_import: bool
    function: str
    within: str
    before: str
    after: str

    @property
    def key(self) -> str:
        """The change in words that do not depend on line numbers."""
        change = f"`{self.before}` -> `{self.after}`"
        return f"{self.module}, {self.function or 'module'}: {change} in `{self.within}`"

    def tree(self) -> ast.Module:
        """The module's syntax tree with the change in it."""
        tree = ast.parse(self.path.read_text())
        sites = list(_sites(tree))
        sites[self.number].apply()
        return ast.fix_missing_locations(tree)


Undo = Callable[[], None]


@dataclass(frozen=True)
class _Site:
    """A place that can be changed: the node, its statement, its function, and the change, made in place."""

    node: ast.AST
    statement: ast.stmt
    function: str
    apply: Callable[[], Undo]
    removes: bool = False


def mutants_of(module: str, path: Path) -> list[Mutant]:
    """All changes of a module."""
    found = []
    for number, site in enumerate(list(_sites(ast.parse(path.read_text())))):
        before, within = ast.unparse(site.node), ast.unparse(site.statement).splitlines()[0]
        undo = site.apply()
        after = "nothing" if site.removes else ast.unparse(site.node)
        undo()
        found.append(
            Mutant(module, path, number, _head(site.statement), not site.function, site.function, within, before, after)
        )
    return found


def sampled(mutants: list[Mutant], count: int | None, seed: int) -> list[Mutant]:
    """A sample without repetition, in the order of the code; all where `count` is None."""
    if count is None or count >= len(mutants):
        return mutants
    return [mutants[i] for i in sorted(random.Random(seed).sample(range(len(mutants)), count))]


def _head(statement: ast.stmt) -> range:
    """Lines of a statement, of a compound one those before its body."""
    body = getattr(statement, "body", None)
    last = body[0].lineno - 1 if isinstance(body, list) and body else statement.end_lineno or statement.lineno
    return range(statement.lineno, max(last, statement.lineno) + 1)


def _sites(tree: ast.Module) -> Iterator[_Site]:
    yield from _in_block(tree.body, "")


def _in_block(body: list[ast.stmt], function: str) -> Iterator[_Site]:
    for place, statement in enumerate(body):
        match statement:
            case ast.FunctionDef():
                defaults = [default for default in (*statement.args.defaults, *statement.args.kw_defaults) if default]
                yield from _within(defaults, statement, function)
                yield from _in_block(statement.body, statement.name)
            case ast.ClassDef():
                yield from _in_block(statement.body, function)
            case ast.Import() | ast.ImportFrom() | ast.Raise() | ast.Pass() | ast.Assert():
                continue
            case ast.If() if "TYPE_CHECKING" in ast.unparse(statement.test):
                continue
            case _:
                if isinstance(statement, ast.Assign) and "NDArray" in ast.unparse(statement.value):
                    continue  # the name of a type
                if isinstance(statement, (ast.AugAssign, ast.Expr)) and not _is_words(statement):
                    yield _Site(statement, statement, function, _replaces(body, place, statement), removes=True)
                for name in ("test", "value", "target", "targets", "iter", "items", "subject"):
                    part = getattr(statement, name, None)
                    if part is not None and not _is_words(statement):
                        yield from _within(part if isinstance(part, list) else [part], statement, function)
                if isinstance(statement, (ast.If, ast.While)):
                    yield _Site(statement.test, statement, function, _negates(statement.test))
                for name in ("body", "orelse", "finalbody"):
                    yield from _in_block(getattr(statement, name, []), function)
                for handler in (*getattr(statement, "handlers", []), *getattr(statement, "cases", [])):
                    yield from _in_block(handler.body, function)


def _is_words(statement: ast.stmt) -> bool:
    return isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)


def _replaces(body: list[ast.stmt], place: int, statement: ast.stmt) -> Callable[[], Undo]:
    def apply() -> Undo:
        body[place] = ast.copy_location(ast.Pass(), statement)
        return lambda: body.__setitem__(place, statement)

    return apply


def _negates(condition: ast.expr) -> Callable[[], Undo]:
    return lambda: _become(condition, ast.UnaryOp(ast.Not(), copy.copy(condition)))


def _become(node: ast.AST, other: ast.AST) -> Undo:
    """Turn a node into another one in place, whoever holds it."""
    kind, parts = node.__class__, dict(node.__dict__)
    place = {name: parts[name] for name in ("lineno", "col_offset", "end_lineno", "end_col_offset")}
    node.__class__ = other.__class__  # type: ignore[assignment]
    node.__dict__.clear()
    node.__dict__.update({**other.__dict__, **place})

    def undo() -> None:
        node.__class__ = kind  # type: ignore[assignment]
        node.__dict__.clear()
        node.__dict__.update(parts)

    return undo


def _within(nodes: list[ast.AST], statement: ast.stmt, function: str) -> Iterator[_Site]:
    """Changes of expressions and all that is in them."""
    for root in nodes:
        for node in _expressions(root):
            for other in _others(node):
                yield _Site(node, statement, function, _turns(node, other))


def _turns(node: ast.AST, other: Callable[[], ast.AST]) -> Callable[[], Undo]:
    return lambda: _become(node, other())


def _expressions(node: ast.AST) -> Iterator[ast.AST]:
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "ctx"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if _is_left(node, child):
                yield child
            elif isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr) and not _is_guard(child):
                yield from _expressions(child)


def _is_left(call: ast.AST, argument: object) -> bool:
    """Whether an argument stands for what is left in a reshape."""
    negative = isinstance(argument, ast.UnaryOp) and isinstance(argument.op, ast.USub)
    return negative and isinstance(call, ast.Call) and _name(call.func) == "reshape"


def _is_guard(node: ast.AST) -> bool:
    return isinstance(node, ast.keyword) and node.arg == "strict"


def _others(node: ast.AST) -> Iterator[Callable[[], ast.AST]]:
    match node:
        case ast.BinOp(left, operator, right):
            if type(operator) in _OPERATORS:
                yield lambda: ast.BinOp(left, _OPERATORS[type(operator)](), right)
            if isinstance(operator, _TERMS):
                yield lambda: copy.copy(left)
        case ast.Compare(left, [operator], [right]):
            changed = _MOVED if _whole(left) or _whole(right) else _TURNED
            new = changed.get(type(operator), _TURNED[type(operator)])
            yield lambda: ast.Compare(left, [new()], [right])
        case ast.BoolOp(operator, values):
            other = ast.Or if isinstance(operator, ast.And) else ast.And
            yield lambda: ast.BoolOp(other(), values)
        case ast.UnaryOp(ast.USub() | ast.Not() | ast.Invert(), operand):
            yield lambda: copy.copy(operand)
        case ast.IfExp(test, body, orelse):
            yield lambda: ast.IfExp(test, orelse, body)
        case ast.Constant(bool() as value):
            yield lambda: ast.Constant(not value)
        case ast.Constant(int() as value):
            yield lambda: ast.Constant(value + 1)
        case ast.Constant(float() as value):
            yield lambda: ast.Constant(2 * value if value else 1.0)
        case ast.Call(function, [first, second, *rest], keywords) if _name(function) not in _SYMMETRIC:
            alike = ast.dump(first) == ast.dump(second)
            if not alike and not isinstance(first, ast.Starred) and not isinstance(second, ast.Starred):
                yield lambda: ast.Call(function, [second, first, *rest], keywords)


def _whole(node: ast.AST) -> bool:
    """Whether an expression is a whole number: written as one, or a count."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int)
    return isinstance(node, ast.Call) and _name(node.func) in ("len", "sum")


def _name(function: ast.AST) -> str:
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
