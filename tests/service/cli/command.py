"""The command line within the test process."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from click.testing import CliRunner, Result

from service.cli.main import commands


def invoke(words: Sequence[str]) -> Result:
    """Run the command with these words, in a thread of its own: browser tests leave an event loop in the main one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(CliRunner().invoke, commands, list(words)).result()
