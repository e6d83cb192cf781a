"""The service's settings for commands that work on its data, with every fault as a sentence about usage."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from service.cli.words import _

if TYPE_CHECKING:
    from service.settings import Settings

Asked = ParamSpec("Asked")
Given = TypeVar("Given")


def read_settings(**said: Any) -> Settings:
    """The settings from the environment, the file, and what the command says itself.

    Raises
    ------
    click.UsageError
        If something is misspelt, impossible, or the file cannot be read.
    """
    from tomllib import TOMLDecodeError

    from pydantic import ValidationError

    from service.settings import Settings, faults, misspelt

    if wrong := misspelt():
        raise click.UsageError("\n".join(wrong))
    try:
        return Settings(**{name: value for name, value in said.items() if value is not None})
    except ValidationError as error:
        raise click.UsageError("\n".join(faults(error))) from None
    except TOMLDecodeError as error:
        raise click.UsageError(_("The file of settings cannot be read: {reason}.").format(reason=error)) from None


def plain_folder_errors(command: Callable[Asked, Given]) -> Callable[Asked, Given]:
    """Let a command say in one sentence why data cannot be kept or read."""

    @wraps(command)
    def run(*args: Asked.args, **kwargs: Asked.kwargs) -> Given:
        from service.records.folder import FolderError

        try:
            return command(*args, **kwargs)
        except FolderError as error:
            raise click.UsageError(str(error)) from None
        except ValueError as error:
            raise click.UsageError(f"{error}.") from None
        except OSError as error:
            words = _("Cannot read or write {file}: {reason}.")
            raise click.UsageError(words.format(file=error.filename or "-", reason=error.strerror)) from None

    return run
