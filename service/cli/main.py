"""The command line: `scrollreach arm`, `instrument`, `fit`, `sheet`, `serve` and the teacher's other questions.

A command's module, and what it needs to measure or to judge, is loaded when that command is asked for: the list of
commands alone needs none of it.
"""

from __future__ import annotations

import copy
import errno
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from io import TextIOWrapper
from pathlib import Path
from typing import Any, NoReturn

import click

from service.cli.interrupts import INTERRUPTED, stop_as_usual
from service.cli.words import _, in_paragraphs, language_of, speak, worded

HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 100, "show_default": True}
SYSTEM_PACKAGES = "libgl1 libegl1 libgles2 libglib2.0-0"


@dataclass(frozen=True, slots=True)
class Later:
    """A command that is loaded when it is asked for.

    Attributes
    ----------
    module : str
        Where it is; the command is the module's attribute of its own name.
    words : str
        Its line in the list of commands: the first sentence of its help.
    measures : bool
        Whether it measures the photos that it is given.
    """

    module: str
    words: str
    measures: bool = False


_MEASURING, _FIT = "service.cli.measuring_commands", "service.cli.fit_commands"
COMMANDS = {
    "arm": Later(_MEASURING, "Measure the arm, from the side of the neck to the middle of the palm.", True),
    "assign": Later(
        _FIT,
        "Give the instruments of a shelf to a class at the least expected loss, and say what remains to be ordered.",
    ),
    "backup": Later(
        "service.cli.keeping_commands", "Write records and photos into FILE, while the service runs or not."
    ),
    "compare": Later(_FIT, "Rank instruments for one child, or children for one instrument (--class)."),
    "fit": Later(
        _MEASURING,
        "Say whether this instrument fits this child, and what to do: in six lines, or with --why in full.",
        True,
    ),
    "growth": Later(_FIT, "Say how the arm will grow, and when the present instrument is outgrown."),
    "instrument": Later(_MEASURING, "Measure an instrument's body length and total length.", True),
    "order": Later(_FIT, "Say what to order for this arm: limits of body and total length that any shop can check."),
    "restore": Later(
        "service.cli.keeping_commands", "Bring the backup in FILE back into a service that holds nothing yet."
    ),
    "secret": Later(
        "service.cli.keeping_commands", "The secret that signs links and seals photos: check it, or change it."
    ),
    "serve": Later("service.cli.serve_command", "Start the pages and the HTTP interface on this machine."),
    "sheet": Later("service.cli.sheet_command", "Make the reference sheet to print, at true size."),
    "studio": Later(
        "service.cli.studio_commands", "Several studios in one service, each with people and records of its own."
    ),
    "tape": Later(
        _FIT, "Check a tape READING (V±U) against the arm of a photo, and name the likely slip where they disagree."
    ),
}


class LaterGroup(click.Group):
    """A group whose commands are loaded when they are asked for.

    Parameters
    ----------
    later : mapping of str to Later
        Its commands by their names.
    **given
        What `click.Group` takes.
    """

    def __init__(self, *given: Any, later: Mapping[str, Later], **named: Any) -> None:
        super().__init__(*given, **named)
        self.later = later

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the commands, sorted."""
        return sorted(self.later)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; workers for its photos load meanwhile."""
        later = self.later.get(args[0])
        if later is not None and later.measures and any(Path(word).is_file() for word in args[1:]):
            from service.measuring.forking import forking

            forking()
        return super().resolve_command(ctx, args)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load a command; None where there is none of this name."""
        if cmd_name not in self.later:
            return None
        command = worded(getattr(import_module(self.later[cmd_name].module), cmd_name))
        stop_as_usual()
        return command

    def main(self, args: Sequence[str] | None = None, **named: Any) -> Any:  # type: ignore[override]
        """Run in the language that is asked for."""
        words = list(sys.argv[1:] if args is None else args)
        speak(language_of(words))
        return super().main(words, **named)

    def invoke(self, ctx: click.Context) -> Any:
        """Run what was asked for; Ctrl-C ends it with one word and the status that shells give it."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            click.echo("\n" + _("Stopped."), err=True)
            ctx.exit(INTERRUPTED)

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write what the program is for."""
        told = copy.copy(self)
        told.help = in_paragraphs(self.help)
        super(LaterGroup, told).format_help_text(ctx, formatter)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without loading them."""
        with formatter.section(_("Commands")):
            formatter.write_dl([(name, _(self.later[name].words)) for name in self.list_commands(ctx)])


@click.group(cls=LaterGroup, later=COMMANDS, context_settings=HELP)
@click.version_option(package_name="scrollreach")
def commands() -> None:
    """Measure a child's arm and an instrument from phone photos, and say whether the instrument fits the child.

    Each photo shows a printed sheet of known size: make it with `scrollreach sheet`. The teacher who sees the child
    play decides; pain, numbness or strain means stop and ask the teacher.
    """


def main() -> None:
    """Run the command; a missing system library or a full disk is one sentence, not a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot write
    try:
        commands(standalone_mode=True)
    except (ImportError, OSError) as error:
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            _fail_to_write(error)
        if ".so" not in str(error):
            raise
        said = _("A system library is missing ({error}).\nOn Debian or Ubuntu: apt-get install {packages}")
        click.echo(said.format(error=error, packages=SYSTEM_PACKAGES), err=True)
        sys.exit(1)


def _fail_to_write(error: OSError) -> NoReturn:
    """Say that the answer could not be written, and let nothing be flushed again when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    said = _("Cannot write the answer: {reason}.").format(reason=error.strerror)
    click.echo(_("Error: {message}").format(message=said), err=True)
    sys.exit(1)
