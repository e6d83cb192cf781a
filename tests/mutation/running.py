"""Running a room's tests against a change, in a forked process that holds the change in memory."""

from __future__ import annotations

import importlib.abc
import importlib.util
import os
import signal
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any

import pytest

from tests.mutation.mutants import Mutant
from tests.mutation.rooms import ROOT, Room

SHARED_IMPORTS = (
    "cv2",
    "scipy.optimize",
    "scipy.special",
    "scipy.stats",
    "hypothesis",
    "reportlab",
    "PIL",
    "uncertainties",
    "babel.dates",
    "babel.numbers",
)
"""Loaded once, before processes are forked; never a module of this project."""

PATIENCE, LEAST_PATIENCE_S = 4.0, 60.0
"""A run longer than this many times the unchanged one, and than so many seconds, hangs: noticed."""


@dataclass(eq=False)
class Trace:
    """Which tests ran which lines of a room, and how long each test took.

    What is kept from one test to the next is not lost: caches of functions are emptied before each, and the lines of a
    fixture that several tests share count for all tests of its file.
    """

    paths: frozenset[str]
    lines: dict[str, set[tuple[str, int]]] = field(default_factory=lambda: defaultdict(set))
    seconds: dict[str, float] = field(default_factory=dict)
    shared: dict[str, set[tuple[str, int]]] = field(default_factory=lambda: defaultdict(set))
    current: set[tuple[str, int]] = field(default_factory=set)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        _empty_caches(self.paths)
        self.current, started = self.lines[item.nodeid], time.monotonic()

        def local(frame: FrameType, event: str, _: Any) -> Callable[..., Any] | None:
            self.current.add((frame.f_code.co_filename, frame.f_lineno))
            return local

        def entered(frame: FrameType, event: str, _: Any) -> Callable[..., Any] | None:
            return local(frame, event, _) if frame.f_code.co_filename in self.paths else None

        sys.settrace(entered)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            self.seconds[item.nodeid] = time.monotonic() - started

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Iterator[object]:
        of_test = self.current
        if fixturedef.scope != "function":
            self.current = self.shared[request.node.nodeid if fixturedef.scope == "module" else ""]
        try:
            return (yield)
        finally:
            self.current = of_test

    def lines_of(self, test: str) -> set[tuple[str, int]]:
        """Lines of the room that a test runs or rests on."""
        return self.lines[test] | self.shared.get(test.split("::")[0], set()) | self.shared.get("", set())


def _empty_caches(paths: frozenset[str]) -> None:
    for module in list(sys.modules.values()):
        if getattr(module, "__file__", None) in paths:
            for value in vars(module).values():
                if hasattr(value, "cache_clear"):
                    value.cache_clear()


@dataclass(frozen=True, eq=False)
class _Chosen:
    """Runs chosen tests only, quick ones first."""

    seconds: dict[str, float]

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.seconds), key=lambda i: self.seconds[i.nodeid])


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module with a change in it."""

    def __init__(self, mutant: Mutant) -> None:
        self.mutant = mutant

    def find_spec(self, name: str, path: object = None, target: object = None) -> Any:
        if name != self.mutant.module:
            return None
        return importlib.util.spec_from_file_location(name, self.mutant.path, loader=self)

    def create_module(self, spec: object) -> ModuleType | None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.mutant.tree(), str(self.mutant.path), "exec"), module.__dict__)


def share_imports() -> None:
    """Load what every test needs."""
    sys.dont_write_bytecode = True
    for name in SHARED_IMPORTS:
        with suppress(ImportError):
            importlib.import_module(name)


def traced(room: Room) -> Trace:
    """Run a room's tests unchanged, and note which lines each of them runs.

    Raises
    ------
    RuntimeError
        If a test fails: then nothing can be said.
    """
    output = tempfile.mkstemp()[1]
    parent, child = get_context("fork").Pipe()
    pid = os.fork()
    if pid == 0:
        trace = Trace(frozenset(str(path) for path in room.modules().values()))
        code = _pytest(room, [trace], output)
        child.send((code, {test: trace.lines_of(test) for test in trace.seconds}, trace.seconds))
        os._exit(0)
    child.close()
    code, lines, seconds = parent.recv()
    os.waitpid(pid, 0)
    if code != 0:
        raise RuntimeError("the tests fail without any change:\n" + Path(output).read_text()[-4000:])
    Path(output).unlink()
    return Trace(frozenset(), lines, seconds)


def tests_for(mutant: Mutant, trace: Trace) -> dict[str, float]:
    """Tests that may notice a change, with a number that is small for those to be run first.

    Those are the tests that run its lines; for a change outside functions, all tests, those that run the module first.
    """
    path, chosen = str(mutant.path), {}
    for test, seconds in trace.seconds.items():
        lines = {line for file, line in trace.lines[test] if file == path}
        if mutant.at_import:
            chosen[test] = seconds if lines else seconds + 1e6
        elif not lines.isdisjoint(mutant.lines):
            chosen[test] = seconds
    return chosen


def verdicts(mutants: Sequence[Mutant], room: Room, trace: Trace, workers: int) -> Iterator[tuple[Mutant, bool]]:
    """Whether each change is noticed, as they are tried."""
    patience_s = max(LEAST_PATIENCE_S, PATIENCE * sum(trace.seconds.values()))
    waiting, running = list(reversed(mutants)), {}
    while waiting or running:
        while waiting and len(running) < workers:
            mutant = waiting.pop()
            chosen = tests_for(mutant, trace)
            if chosen:
                running[_tried(mutant, room, chosen)] = (mutant, time.monotonic())
            else:
                yield mutant, False
        for pid, (mutant, started) in list(running.items()):
            done, status = os.waitpid(pid, os.WNOHANG)
            hangs = not done and time.monotonic() - started > patience_s
            if hangs:
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
            if done or hangs:
                del running[pid]
                yield mutant, hangs or status != 0
        time.sleep(0.02)


def _tried(mutant: Mutant, room: Room, chosen: dict[str, float]) -> int:
    pid = os.fork()
    if pid:
        return pid
    try:
        sys.meta_path.insert(0, _Changed(mutant))
        code = _pytest(room, [_Chosen(chosen)])
    except BaseException:
        code = 1
    os._exit(code)


def _pytest(room: Room, plugins: list[object], output: str = os.devnull) -> int:
    os.chdir(ROOT)
    words = os.open(output, os.O_WRONLY)
    os.dup2(words, 1)
    os.dup2(words, 2)
    os.environ["OMP_NUM_THREADS"] = "1"
    import cv2
    from hypothesis import settings

    cv2.setNumThreads(1)
    settings.register_profile("mutation", database=None, derandomize=True)
    settings.load_profile("mutation")
    options = ["-x", "-q", "-m", "not timed", "-p", "no:cacheprovider", "-p", "no:xdist"]
    return int(pytest.main([*options, *room.tests], plugins=plugins))
