"""Where the command begins: Ctrl-C ends it quietly from the first moment on, while everything is still being loaded."""

from __future__ import annotations

import signal

from service.cli.interrupts import stop_at_once


def main() -> None:
    """Load and run the command."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, stop_at_once)
    from service.cli.main import main as run

    run()
