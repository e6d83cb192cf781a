"""The language of the command line itself: its help, what it says of wrong usage, and the words of the option parser.

Words are English in the code and translated where they are shown, by the one catalogue.  The language is the one of
``--language`` wherever that stands among the words, else the shell's (``LANGUAGE``, ``LC_ALL``, ``LC_MESSAGES``,
``LANG``, in the order of gettext), else English.  Answers follow the same language unless ``--language`` says another.
"""

from __future__ import annotations

import copy
import os
from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from itertools import pairwise

import click

from service.words.paragraphs import paragraphs

ENGLISH = "en"

_SPOKEN: ContextVar[str] = ContextVar("spoken", default=ENGLISH)

SHELL = ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")
"""Variables of the environment that name a language, the one that counts most first (as gettext reads them)."""

UNTRANSLATED = ("", "C", "POSIX", "en")
"""Names of the shell's language, without country and encoding, for which nothing has to be looked up."""


def spoken_language() -> str:
    """The language in which the command line speaks now."""
    return _SPOKEN.get()


def speak(language: str) -> None:
    """Speak this language from now on."""
    _SPOKEN.set(language)


def _(text: str) -> str:
    """Translate one of the command line's own sentences, or one of the option parser's."""
    language = _SPOKEN.get()
    if language == ENGLISH:
        return text
    from service.words.i18n import translator

    return translator(language)(text)


def language_of(words: Sequence[str], environment: Mapping[str, str] = os.environ) -> str:
    """Which language is asked for, by ``--language`` or by the shell.

    Parameters
    ----------
    words : sequence of str
        Words of the command line.
    environment : mapping of str to str

    Returns
    -------
    str
        A language that the catalogue has; English where it has none of those asked for.

    Examples
    --------
    >>> language_of(["fit", "--language", "de"], {}), language_of(["fit"], {"LANG": "de_AT.UTF-8"})
    ('de', 'de')
    """
    asked = [word.partition("=")[2] for word in words if word.startswith("--language=")]
    asked += [after for word, after in pairwise(words) if word == "--language"]
    wanted = asked[-1] if asked else next((environment[name] for name in SHELL if environment.get(name)), "")
    offers = [each.partition(".")[0].partition("@")[0] for each in wanted.split(":")]
    if offers[0].partition("_")[0] in UNTRANSLATED:
        return ENGLISH
    from service.words.i18n import negotiate_language

    return negotiate_language(",".join(offers))


def worded(command: click.Command) -> click.Command:
    """A command with its help in the language that is spoken, apart from the one that every language shares."""
    told = copy.copy(command)
    if spoken_language() == ENGLISH:
        return told
    told.help = in_paragraphs(command.help)
    told.params = [copy.copy(each) for each in command.params]
    for each in told.params:
        if isinstance(each, click.Option) and each.help is not None:
            each.help = _(each.help)
    if isinstance(told, click.Group):
        told.commands = {name: worded(each) for name, each in told.commands.items()}
    return told


def in_paragraphs(text: str | None) -> str | None:
    """A help text translated paragraph by paragraph."""
    return None if text is None else "\n\n".join(_(each) for each in paragraphs(text))


def _counted(one: str, several: str, count: int) -> str:
    """Translate the form for so many; the parser's words are never counted out."""
    return _(one if count == 1 else several)


for _part in (click.core, click.decorators, click.exceptions, click.formatting, click.parser, click.types):
    # Click asks gettext for its words, which wants compiled catalogues on the disk; ours is read from its source.
    setattr(_part, "_", _)  # noqa: B010 - no part declares it
    setattr(_part, "ngettext", _counted)  # noqa: B010

OF_THE_PARSER = (
    _("Commands"),
    _("Options"),
    _("Usage:"),
    _("Error: {message}"),
    _("Try '{command} {option}' for help."),
    _("Did you mean {possibility}?"),
    _("(Did you mean one of: {possibilities}?)"),
    _("Invalid value: {message}"),
    _("Invalid value for {param_hint}: {message}"),
    _("Missing argument"),
    _("Missing option"),
    _("Missing command."),
    _("Choose from:\n\t{choices}"),
    _("No such option {name!r}."),
    _("No such command {name!r}."),
    _("Got unexpected extra argument ({args})"),
    _("Got unexpected extra arguments ({args})"),
    _("Option {name!r} does not take a value."),
    _("Option {name!r} requires an argument."),
    _("{value!r} is not one of {choices}."),
    _("{value!r} is not a valid {number_type}."),
    _("{value} is not in the range {range}."),
    _("{value!r} is not a valid boolean. Recognized values: {states}"),
    _("{name} {filename!r} does not exist."),
    _("{name} {filename!r} is a directory."),
    _("{name} {filename!r} is not readable."),
    _("{name} {filename!r} is not writable."),
    _("Show the version and exit."),
    _("Show this message and exit."),
    _("%(prog)s, version %(version)s"),
    _("default: {default}"),
    _("file"),
)
"""The option parser's own words that people meet; a test finds each of them in its code."""
