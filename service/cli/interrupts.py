"""What Ctrl-C does to the command, before all is loaded and after."""

from __future__ import annotations

import os
import signal
import sys

INTERRUPTED = 128 + signal.SIGINT
"""Exit status after Ctrl-C, as shells give it."""


def stop_at_once(*_: object) -> None:
    """End the process with one word: what is being loaded may turn the usual interrupt into an error of its own."""
    sys.stderr.write("\nStopped.\n")
    sys.stderr.flush()
    os._exit(INTERRUPTED)  # without the tracebacks of threads and processes that are cut off as well


def stop_as_usual() -> None:
    """Once all is loaded, let Ctrl-C raise `KeyboardInterrupt` again, so that what was begun is put away."""
    if signal.getsignal(signal.SIGINT) is stop_at_once:
        signal.signal(signal.SIGINT, signal.default_int_handler)
