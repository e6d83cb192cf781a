"""Loads what measuring needs where it is imported: in the process that workers are forked from (`forking`).

What cannot be loaded says so where it is used: a process that died of it would be started again and again.
"""

import gc
import sys
from contextlib import suppress
from importlib import import_module
from types import TracebackType

from service.measuring.work import NEEDED


def _unless_gone(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Say nothing of a worker that was asked for by a process that has ended since, as at an early Ctrl-C."""
    if not issubclass(kind, (FileNotFoundError, EOFError, ConnectionError)):
        sys.__excepthook__(kind, error, trace)


sys.excepthook = _unless_gone

for name in NEEDED:
    with suppress(Exception):
        import_module(name)
with suppress(Exception):
    import_module("vision.loading").load()
    import_module("vision.networks.memory").give_back_freed()
gc.freeze()  # a collection would write to every object, and so copy the memory that is shared
