"""Where the command begins: Ctrl-C ends it quietly from the first moment on, while everything is still being loaded."""

from __future__ import annotations

import os
import signal
import sys

INTERRUPTED = 128 + signal.SIGINT
"""Exit status after Ctrl-C, as shells give it."""


def main() -> None:
    """Load and run the command."""
    try:
        from service.cli.main import main as run

        run()
    except KeyboardInterrupt:
        sys.stderr.write("\nStopped.\n")
        sys.stderr.flush()
        os._exit(INTERRUPTED)  # without the tracebacks of threads and processes that are cut off as well
