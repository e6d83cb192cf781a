"""Where workers come from: one process that has loaded what measuring needs, and is copied for each of them.

Loading takes longer than measuring.  A process that loads once and is then forked gives workers that are ready at once,
and that share its memory as long as they only read it: libraries and the weights of our own networks.  The landmark
models are opened in each worker, since they have threads of their own, which no fork survives.
"""

from __future__ import annotations

import os
import signal
from multiprocessing import forkserver, get_context, resource_tracker
from multiprocessing.context import ForkServerContext

LOADED = "service.measuring.loaded"
"""What that process loads."""


def forking() -> ForkServerContext:
    """Start the process that workers are forked from, unless it runs; give the context to start workers in.

    It loads while whoever called this goes on.
    """
    # the matrices here are so small that threads for them only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    context = get_context("forkserver")
    context.set_forkserver_preload([LOADED])
    resource_tracker.ensure_running()  # which lets Ctrl-C through again once it has started
    # a terminal's Ctrl-C goes to every process of the command: only the first of them answers, and ends the others
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return context
