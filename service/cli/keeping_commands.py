"""Commands for whoever runs the service: `backup`, `restore` and `secret`."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli.settled import plain_folder_errors, read_settings
from service.cli.words import _

if TYPE_CHECKING:
    from service.records.database import Store
    from service.settings import Settings

FILE = click.Path(dir_okay=False, path_type=Path)
THERE = click.Path(exists=True, dir_okay=False, path_type=Path)
LONGEST_DAYS = 365  # our choice: nobody asks for older photos


@click.command()
@click.argument("file", type=FILE)
@click.option("--secret-to", type=FILE, help="Also copy the secret, into a file of its own: keep it elsewhere.")
@plain_folder_errors
def backup(file: Path, secret_to: Path | None) -> None:
    """Write records and photos into FILE, while the service runs or not.

    The secret is not in it: without the secret nobody reads a photo of the backup, and neither do you.
    """
    from service.records.backup import back_up
    from service.records.folder import FolderError
    from service.security import write_private
    from service.settings import PROGRAM_VERSION
    from service.web.house import photo_place

    settings = _existing()
    if secret_to is not None and secret_to.exists():
        raise FolderError(_("{file} exists already.").format(file=secret_to))
    with _records(settings) as store:
        store.migrate()
        kept = back_up(store, photo_place(settings), file, PROGRAM_VERSION)
    words = _("Written into {file}: studios {studios}, photos {photos}.")
    click.echo(words.format(studios=kept.studios, photos=kept.photos, file=file))
    click.echo(_("Names and measurements in it are readable: keep it as private as the service itself."))
    if secret_to is not None:
        write_private(secret_to, settings.secret_file.read_bytes())
        click.echo(
            _("The secret is in {file}. Keep it apart from the backup: together they open every photo.").format(
                file=secret_to
            )
        )
        return
    click.echo(
        _(
            "The secret is NOT in it. Without the secret no photo can be read and every link is dead: "
            "copy {file} to another safe place."
        ).format(file=settings.secret_file)
    )


@click.command()
@click.argument("file", type=THERE)
@click.option("--secret", "secret_from", type=THERE, help="The secret that the backup was made with.")
@click.option(
    "--new-secret", is_flag=True, help="The secret is lost: restore without photos, links and second factors."
)
@plain_folder_errors
def restore(file: Path, secret_from: Path | None, new_secret: bool) -> None:
    """Bring the backup in FILE back into a service that holds nothing yet.

    Its database and photo store are those of the settings: a backup of SQLite goes into PostgreSQL, and back.
    """
    from service.records import backup
    from service.records.folder import FolderError, make_private
    from service.security import SECRET_BYTES, load_or_make_secret, secret_mark, write_private
    from service.web.house import photo_place

    settings = read_settings()
    make_private(settings.data_folder)
    there = settings.secret_file.read_bytes() if settings.secret_file.is_file() else None
    given = secret_from.read_bytes() if secret_from is not None else there
    if (given is None) == (not new_secret):
        raise click.UsageError(_("Name the secret of the backup with --secret, or say --new-secret where it is lost."))
    if secret_from is not None and len(given or b"") != SECRET_BYTES:
        raise FolderError(_("{file} holds no secret of a service.").format(file=secret_from))
    if there is not None and given != there:
        raise FolderError(
            _("{folder} has another secret already; restore into an empty folder.").format(folder=settings.data_folder)
        )
    with _records(settings) as store, store.nobody_serves(settings.data_folder):
        if given is not None and there is None:
            write_private(settings.secret_file, given)
        try:
            mark = None if new_secret else secret_mark(load_or_make_secret(settings.secret_file))
            kept = backup.restore(file, store, photo_place(settings), settings.data_folder, mark)
        except Exception:
            if there is None:  # nothing was restored: another try, with the right one, finds the folder as it was
                settings.secret_file.unlink(missing_ok=True)
            raise
        store.check_secret(secret_mark(load_or_make_secret(settings.secret_file)))
    click.echo(
        _("Restored: studios {studios}, photos {photos}. Everybody signs in anew.").format(
            studios=kept.studios, photos=kept.photos
        )
    )
    click.echo(
        _(
            "What was deleted or revoked since the backup is back as well: delete children and revoke keys and links "
            "again where that was done."
        )
    )


@click.group()
def secret() -> None:
    """The secret that signs links and seals photos: check it, or change it."""


@secret.command()
@plain_folder_errors
def check() -> None:
    """Say whether the secret is the records' own and opens every photo."""
    from service.records.photos import PhotoFolder
    from service.security import load_secrets
    from service.web.house import photo_place

    settings = _existing()
    secrets = load_secrets(settings.secret_file, _today())
    with _records(settings) as store:
        store.migrate()
        store.check_secret(*secrets.marks)
    readable, unreadable = PhotoFolder(photo_place(settings), secrets).count_readable()
    click.echo(
        _(
            "The secret is the one of these records. Photos it opens: {readable}; that it does not open: {unreadable}."
        ).format(readable=readable, unreadable=unreadable)
    )
    if unreadable:
        raise click.exceptions.Exit(1)


@secret.command()
@click.option(
    "--links-days",
    type=click.IntRange(0, LONGEST_DAYS),
    default=60,
    help="How many days links made with the former secret still open; 0 where it leaked.",
)
@plain_folder_errors
def rotate(links_days: int) -> None:
    """Change the secret and seal every photo anew; the service must be stopped.

    Links that families and readers of reports have go on opening for --links-days.
    """
    from service.records import rotating
    from service.web.house import photo_place

    settings = _existing()
    with _records(settings) as store, store.nobody_serves(settings.data_folder):
        store.migrate()
        done = rotating.rotate(settings.secret_file, store, photo_place(settings), _today(), links_days)
    click.echo(
        _("The secret is new. Photos sealed anew: {photos}; second factors: {factors}.").format(
            photos=done.photos, factors=done.factors
        )
    )
    if done.unreadable:
        click.echo(_("Photos that neither secret opens: {count}. They were so before.").format(count=done.unreadable))
    click.echo(
        _("Copy {file} to the other machines of this service and to its safe place.").format(file=settings.secret_file)
    )


def _records(settings: Settings) -> closing[Store]:
    from service.records.database import Store

    return closing(Store(settings.database))


def _today() -> date:
    return datetime.now(UTC).date()


def _existing() -> Settings:
    from service.records.folder import FolderError

    settings = read_settings()
    if not settings.secret_file.is_file():
        raise FolderError(_("There is no service in {folder}.").format(folder=settings.data_folder))
    return settings
