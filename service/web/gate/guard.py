"""Who is asking, and may they.

A page names its reader as a parameter: `Visitor` (a signed-in teacher), `Family` (whoever holds a family's link),
`Sender` (the same, also where the link has run out: to delete what was sent) or `Reader` (whoever holds a report's
link).  Each carries the studio its rows are read for; there is no other way to a
session.  Whatever changes something takes `Fields`, the form after its token was checked.

What is for owners alone stands under one address, `OWNERS_PART`, and is refused to others here, for every page there.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Depends, Path, Request
from fastapi.exceptions import HTTPException
from sqlalchemy import select
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session
from starlette.datastructures import FormData

from service.records.audit import Action, note
from service.records.news import mark_of
from service.records.tables import OWNER, AuditEntry, Deed, PhotoRequest, SignIn, Teacher, VerdictRecord
from service.records.wanted import is_open, report_is_open
from service.security import digest
from service.web.house import House, house

FAMILY, REPORT = "family", "report"
OWNERS_PART = "/studio"
"""Address of what only owners may see and change: the studio, its people, keys, history, and everything at once."""
WITHOUT_FACTOR = ("/account", "/sign-out")
"""What a teacher reaches who has to set a second factor up first."""
NEWS = "/news"
"""Address of what open pages listen to by themselves."""
NOTED_EVERY = timedelta(minutes=5)
"""How exactly a browser's last use is kept, so that not every page is a write: our choice; as often at most the owners'
history says that a teacher was refused."""
TheHouse = Annotated[House, Depends(house)]


class SignInNeeded(Exception):
    """Raised where a page is for signed-in teachers only."""


class LinkClosed(Exception):
    """Raised where a link is unknown, expired, revoked or for something else: the answer is the same."""


class LinkRanOut(LinkClosed):
    """Raised where nobody closed a family's link, but its time is over: what was sent by it can still be deleted.

    Parameters
    ----------
    token : str
        The link's key.
    """

    def __init__(self, token: str) -> None:
        super().__init__()
        self.token = token


class OwnerNeeded(Exception):
    """Raised where a page is for a studio's owners only."""


class FactorNeeded(Exception):
    """Raised where a teacher has to set a second factor up first."""


class WrongForm(Exception):
    """Raised where a form does not carry the token of the page it should come from."""


@dataclass(frozen=True, slots=True)
class SignedIn:
    """A teacher in a browser."""

    teacher_id: str
    studio_id: str
    name: str
    sign_in_id: str
    role: str

    @property
    def is_owner(self) -> bool:
        """Whether the studio itself is the teacher's to see to."""
        return self.role == OWNER


@dataclass(frozen=True, slots=True)
class FamilyVisit:
    """Somebody who opened a family's link."""

    token: str
    request_id: str
    studio_id: str
    child_id: str
    is_open: bool


@dataclass(frozen=True, slots=True)
class ReportVisit:
    """Somebody who opened a report's link."""

    token: str
    verdict_id: str
    studio_id: str


def session_cookie(parts: House) -> str:
    """Name of the session cookie; behind TLS browsers bind the ``__Host-`` prefix to this host."""
    return "__Host-scrollreach" if parts.settings.secure_cookies else "scrollreach"


def visitor(request: Request, parts: TheHouse) -> SignedIn:
    """The signed-in teacher.

    Raises
    ------
    SignInNeeded
        If nobody is signed in, or the session has expired, was revoked or was not used for too long.
    FactorNeeded
        If the service asks for a second factor and this teacher has none yet.
    OwnerNeeded
        If the page is for owners and this teacher is none.
    """
    token = request.cookies.get(session_cookie(parts), "")
    with parts.store.whole_house() as session:
        found = session.execute(
            select(SignIn, Teacher)
            .join(Teacher, Teacher.id == SignIn.teacher_id)
            .where(SignIn.token_digest == digest(token))
        ).one_or_none()
        if found is None:
            raise SignInNeeded
    sign_in, teacher = found
    request.state.language = teacher.language  # also for saying that the session has ended
    now = parts.clock.now()
    if has_ended(sign_in, parts, now):
        raise SignInNeeded
    if not (request.url.path == NEWS or "x-fresh" in request.headers):  # a page that listens is not a person who works
        _note_use(parts, sign_in, now)
    who = SignedIn(teacher.id, teacher.studio_id, teacher.name, sign_in.id, teacher.role)
    request.state.teacher = who
    request.state.who = f"teacher {teacher.id}"
    request.state.form_token = parts.signer.form_token(sign_in.id)
    request.state.form_holder = sign_in.id
    must_set_up = parts.settings.second_factor == "needed" and teacher.factor_since is None
    if must_set_up and not request.url.path.startswith(WITHOUT_FACTOR):
        raise FactorNeeded
    if not who.is_owner and f"{request.url.path}/".startswith(f"{OWNERS_PART}/"):
        _note_owners_part(parts, who, now)
        raise OwnerNeeded
    return who


def has_ended(sign_in: SignIn, parts: House, now: datetime) -> bool:
    """Whether a sign-in was revoked, has had its time, or was not used for too long."""
    idle = timedelta(hours=parts.settings.idle_hours)
    return sign_in.revoked_at is not None or sign_in.expires_at <= now or sign_in.seen_at + idle <= now


def _note_use(parts: House, sign_in: SignIn, now: datetime) -> None:
    """Note that a browser is used; where the records are locked just now, the next page does."""
    if now - sign_in.seen_at < NOTED_EVERY:
        return
    with suppress(OperationalError), parts.store.for_studio(sign_in.studio_id) as session:
        session.get_one(SignIn, sign_in.id).seen_at = now


def _note_owners_part(parts: House, who: SignedIn, now: datetime) -> None:
    """Tell the owners that a teacher tried what is theirs, once in a while however often it was."""
    lately = select(AuditEntry.id).where(
        AuditEntry.teacher_id == who.teacher_id,
        AuditEntry.action == Action.OWNERS_PART_REFUSED.value,
        AuditEntry.at > now - NOTED_EVERY,
    )
    with suppress(OperationalError), parts.store.for_studio(who.studio_id) as session:
        if session.scalars(lately.limit(1)).first() is None:
            note(session, who.studio_id, Action.OWNERS_PART_REFUSED, now, who.teacher_id)


def sender(request: Request, parts: TheHouse, token: Annotated[str, Path(max_length=120)]) -> FamilyVisit:
    """Whoever holds a family's link that nobody closed, run out or not.

    Raises
    ------
    LinkClosed
        If the link is unknown or was closed.
    """
    request_id = parts.signer.read(FAMILY, token)
    with parts.store.whole_house() as session:
        asked = session.get(PhotoRequest, request_id) if request_id else None
    if asked is None or asked.revoked_at is not None:
        raise LinkClosed
    request.state.language = asked.language
    request.state.form_token = parts.signer.form_token(token)
    request.state.form_holder = token
    request.state.who = f"link {asked.id}"
    return FamilyVisit(token, asked.id, asked.studio_id, asked.child_id, is_open(asked, parts.clock.now()))


Sender = Annotated[FamilyVisit, Depends(sender)]


def family(who: Sender) -> FamilyVisit:
    """Whoever holds a family's open link.

    Raises
    ------
    LinkRanOut
        If its time is over.
    """
    if not who.is_open:
        raise LinkRanOut(who.token)
    return who


def report_reader(request: Request, parts: TheHouse, token: Annotated[str, Path(max_length=120)]) -> ReportVisit:
    """Whoever holds a report's link.

    Raises
    ------
    LinkClosed
        If the link is not open.
    """
    verdict_id = parts.signer.read(REPORT, token)
    with parts.store.whole_house() as session:
        verdict = session.get(VerdictRecord, verdict_id) if verdict_id else None
    if verdict is None or not report_is_open(verdict, parts.clock.now()):
        raise LinkClosed
    request.state.language = verdict.report_language
    request.state.who = f"report {verdict.id}"
    return ReportVisit(token, verdict.id, verdict.studio_id)


Visitor = Annotated[SignedIn, Depends(visitor)]
Family = Annotated[FamilyVisit, Depends(family)]
Reader = Annotated[ReportVisit, Depends(report_reader)]


def teacher_records(request: Request, who: Visitor, parts: TheHouse) -> Iterator[Session]:
    """Open the records of the teacher's studio for one request; a page that follows a deed shows it."""
    with parts.store.for_studio(who.studio_id) as session:
        done = request.query_params.get("done", "")
        if request.method == "GET":
            request.state.deed = session.get(Deed, done) if done else None
            request.state.mark = mark_of(session, who.studio_id)
        yield session


def family_records(who: Family, parts: TheHouse) -> Iterator[Session]:
    """Open the records of the studio that sent the link, for one request."""
    with parts.store.for_studio(who.studio_id) as session:
        yield session


Records = Annotated[Session, Depends(teacher_records, scope="function")]
FamilyRecords = Annotated[Session, Depends(family_records, scope="function")]


async def open_form(request: Request) -> FormData:
    """A form of a page that needs no token, because it is not read on behalf of anybody."""
    return await request.form(max_files=8, max_fields=200)


async def teacher_form(request: Request, who: Visitor, parts: TheHouse) -> FormData:
    """A teacher's form, its token checked."""
    return await _checked(request, parts)


async def family_form(request: Request, who: Family, parts: TheHouse) -> FormData:
    """A family's form, its token checked."""
    return await _checked(request, parts)


async def sender_form(request: Request, who: Sender, parts: TheHouse) -> FormData:
    """A form of a family whose link may have run out, its token checked."""
    return await _checked(request, parts)


async def _checked(request: Request, parts: House) -> FormData:
    form = await open_form(request)
    token = form.get("form_token")
    if not isinstance(token, str) or not parts.signer.form_token_fits(request.state.form_holder, token):
        raise WrongForm
    return form


OpenFields = Annotated[FormData, Depends(open_form)]
Fields = Annotated[FormData, Depends(teacher_form)]
FamilyFields = Annotated[FormData, Depends(family_form)]
SenderFields = Annotated[FormData, Depends(sender_form)]


def nothing_here() -> HTTPException:
    """The answer for a row that does not exist, or not in this studio."""
    return HTTPException(404)
