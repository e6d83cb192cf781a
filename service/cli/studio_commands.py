"""`scrollreach studio`: several studios in one service, and the way back in for whoever lost everything."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from service.cli.settled import plain_folder_errors, read_settings
from service.cli.words import _

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from service.settings import Settings


@click.group()
def studio() -> None:
    """Several studios in one service, each with people and records of its own."""


@studio.command()
@click.argument("name")
@plain_folder_errors
def add(name: str) -> None:
    """Add a studio called NAME, and print the link with which its owner makes a sign-in."""
    from service.jobs.clock import SystemClock
    from service.records.tables import OWNER, Studio
    from service.web.forms.models import LONGEST_NAME
    from service.web.gate.invitations import new_invitation

    settings, called = read_settings(), name.strip()
    if not 0 < len(called) <= LONGEST_NAME:
        raise click.UsageError(_("A studio's name has 1 to {most} letters.").format(most=LONGEST_NAME))
    now = SystemClock().now()
    with _records(settings) as session:
        made = Studio(name=called, created_at=now, photo_days=settings.photo_days)
        session.add(made)
        session.flush()
        token = new_invitation(session, now, made.id, role=OWNER)
    _say_link(settings, token)


@studio.command("list")
@plain_folder_errors
def list_studios() -> None:
    """List the studios: identity, name, teachers, children."""
    from sqlalchemy import func, select

    from service.records.tables import Child, Studio, Teacher

    with _records(_existing()) as session:
        counts = [
            dict(session.execute(select(table.studio_id, func.count()).group_by(table.studio_id)).all())
            for table in (Teacher, Child)
        ]
        for each in session.scalars(select(Studio).order_by(Studio.name)):
            teachers, children = (count.get(each.id, 0) for count in counts)
            words = _("{id}  {name}  teachers: {teachers}, children: {children}")
            click.echo(words.format(id=each.id, name=each.name, teachers=teachers, children=children))


@studio.command("let-in")
@click.argument("email")
@click.option("--without-second-factor", is_flag=True, help="Switch the second factor off: the phone is lost, too.")
@plain_folder_errors
def let_in(email: str, without_second_factor: bool) -> None:
    """Print a link with which the teacher of EMAIL chooses a new password.

    Make sure by another way than e-mail that it is the teacher who asks.
    """
    from sqlalchemy import select

    from service.jobs.clock import SystemClock
    from service.records.audit import Action, note
    from service.records.tables import Teacher
    from service.web.gate.invitations import new_invitation
    from service.web.gate.second_factor import switch_off

    settings, now = _existing(), SystemClock().now()
    with _records(settings) as session:
        teacher = session.scalars(select(Teacher).where(Teacher.email == email.strip().lower())).one_or_none()
        if teacher is None:
            raise click.UsageError(_("No teacher has the e-mail address {email}.").format(email=email))
        if without_second_factor:
            switch_off(teacher)
            note(session, teacher.studio_id, Action.FACTOR_OFF, now, about=teacher.id)
        token = new_invitation(session, now, teacher.studio_id, teacher.id)
        note(session, teacher.studio_id, Action.TEACHER_INVITED, now, about=teacher.id)
    _say_link(settings, token)


def _existing() -> Settings:
    """The settings of a service that holds something: whoever stands in another folder is told so."""
    from service.records.folder import FolderError

    settings = read_settings()
    if not settings.database_url and not settings.database_file.is_file():
        raise FolderError(_("There is no service in {folder}.").format(folder=settings.data_folder))
    return settings


@contextmanager
def _records(settings: Settings) -> Iterator[Session]:
    """The records of the whole house; the running service may go on beside it."""
    from service.records.database import Store
    from service.records.folder import make_private

    make_private(settings.data_folder)
    store = Store(settings.database)
    store.migrate()
    try:
        with store.whole_house() as session:
            yield session
    finally:
        store.close()


def _say_link(settings: Settings, token: str) -> None:
    from service.web.gate.invitations import INVITATION_DAYS, welcome_address
    from service.web.house import own_address

    address = own_address(settings)
    words = _("This link works once, for {days} days: {link}")
    click.echo(words.format(days=INVITATION_DAYS, link=welcome_address(address, token)))
    if not settings.public_url:
        words = _(
            "Where the service was started with --host, --port or --share, write its address instead of {address}."
        )
        click.echo(words.format(address=address), err=True)
