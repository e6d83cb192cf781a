"""Loads what measuring needs where it is imported: in the process that workers are forked from (`forking`).

What cannot be loaded says so where it is used: a process that died of it would be started again and again.
"""

import gc
from contextlib import suppress
from importlib import import_module

from service.measuring.work import NEEDED

for name in NEEDED:
    with suppress(Exception):
        import_module(name)
with suppress(Exception):
    import_module("vision.loading").load()
gc.freeze()  # a collection would write to every object, and so copy the memory that is shared
