"""The links that let somebody in once: the first teacher, a further one, one who lost the password."""

from __future__ import annotations

import re
from contextlib import closing
from datetime import datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.records.audit import Action, note
from service.records.database import Store, changed
from service.records.tables import OWNER, TEACHER, Invitation, Studio, Teacher
from service.security import digest, fresh_token, hash_password
from service.settings import Settings
from service.web.forms.reading import email_field, text_field
from service.web.gate.guard import LinkClosed, OpenFields, TheHouse
from service.web.gate.passwords import password_fault
from service.web.gate.sign_in import end_sessions, signed_in
from service.web.house import House
from service.web.language import marked, page_language
from service.web.pages import go_to, page

router = APIRouter()
INVITATION_DAYS = 7  # our choice: long enough for a holiday, as the page says
EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")

NO_EMAIL = marked("Please write an e-mail address such as name@example.org.")
KNOWN_EMAIL = marked("This e-mail address already belongs to a teacher.")
NO_NAME = marked("Please write a name.")


@router.get("/welcome/{token}")
def welcome_page(request: Request, token: str, parts: TheHouse) -> HTMLResponse:
    """Greet somebody who was invited."""
    with parts.store.whole_house() as session:
        invited = _open_invitation(session, parts, token)
        teacher = session.get(Teacher, invited.teacher_id) if invited.teacher_id else None
        filled = {"email": teacher.email if teacher else "", "name": teacher.name if teacher else "", "studio": ""}
        return _greeting(request, session, invited, filled)


@router.post("/welcome/{token}")
def welcome(request: Request, token: str, parts: TheHouse, form: OpenFields) -> Response:
    """Make the teacher, and the studio where there is none yet; or set a new password."""
    filled = {name: text_field(form, name, 80) for name in ("name", "studio")}
    filled["email"] = email_field(form)
    password, twice = (str(form.get(name, "")) for name in ("password", "twice"))
    with parts.store.whole_house() as session:
        invited = _open_invitation(session, parts, token)
        first, again = invited.studio_id is None, invited.teacher_id is not None
        problem = password_fault(password, twice, filled.values()) or (
            None if again else _fault(session, filled, first)
        )
        if problem is not None:
            return _greeting(request, session, invited, filled, problem)
        now = parts.clock.now()
        _use_up(session, invited, now)
        teacher = _made_teacher(session, parts, invited, filled, page_language(request))
        teacher.password_hash = hash_password(password)
        end_sessions(session, parts, teacher.id)
        done = Action.PASSWORD_CHANGED if again else Action.TEACHER_JOINED
        note(session, teacher.studio_id, done, now, teacher.id, teacher.id)
        if teacher.factor_since is not None:  # the link stands for the password, not for the second factor
            return go_to("/sign-in", told="sign-in")
        return signed_in(parts, session, teacher)


def _greeting(
    request: Request, session: Session, invited: Invitation, filled: dict[str, str], problem: str | None = None
) -> HTMLResponse:
    """The page for somebody invited: to which studio, what is still to be typed, and what was wrong with it."""
    return page(
        request,
        "welcome.html",
        422 if problem else 200,
        problem=problem,
        studio=session.get_one(Studio, invited.studio_id).name if invited.studio_id else None,
        again=invited.teacher_id is not None,
        filled=filled,
    )


def first_invitation(settings: Settings, base_url: str) -> str | None:
    """Link for the very first teacher; None where somebody can sign in already.

    Parameters
    ----------
    settings : Settings
        Where the records lie.
    base_url : str
        Address of the service.
    """
    from service.jobs.clock import SystemClock

    with closing(Store(settings.database)) as store:
        store.migrate()
        with store.whole_house() as session:
            if session.scalars(select(Teacher.id).limit(1)).first() is not None:
                return None
            token = new_invitation(session, SystemClock().now(), role=OWNER)
    return welcome_address(base_url, token)


def welcome_address(base_url: str, token: str) -> str:
    """Address that lets somebody in."""
    return f"{base_url.rstrip('/')}/welcome/{token}"


def new_invitation(
    session: Session,
    now: datetime,
    studio_id: str | None = None,
    teacher_id: str | None = None,
    role: str = TEACHER,
) -> str:
    """Invite somebody; returns the token of the link.

    Parameters
    ----------
    session : Session
    now : datetime
    studio_id : str, optional
        The studio to join; none for the very first teacher, who names it.
    teacher_id : str, optional
        Who lost the password; none for somebody new.
    role : str
        What somebody new becomes.
    """
    token = fresh_token()
    session.add(
        Invitation(
            token_digest=digest(token),
            studio_id=studio_id,
            teacher_id=teacher_id,
            role=role,
            expires_at=now + timedelta(days=INVITATION_DAYS),
        )
    )
    return token


def _open_invitation(session: Session, parts: House, token: str) -> Invitation:
    invited = session.scalars(select(Invitation).where(Invitation.token_digest == digest(token))).one_or_none()
    if invited is None or invited.used_at is not None or invited.expires_at <= parts.clock.now():
        raise LinkClosed
    if invited.studio_id is None and session.scalars(select(Teacher.id).limit(1)).first() is not None:
        raise LinkClosed  # the first teacher came in through another of these links
    return invited


def _use_up(session: Session, invited: Invitation, now: datetime) -> None:
    """Use an invitation up, and with the first one every other that makes a studio.

    Raises
    ------
    LinkClosed
        If somebody else came through it meanwhile.
    """
    still_open = update(Invitation).where(Invitation.used_at.is_(None)).values(used_at=now)
    if changed(session, still_open.where(Invitation.id == invited.id)) != 1:
        raise LinkClosed
    if invited.studio_id is None:
        changed(session, still_open.where(Invitation.studio_id.is_(None)))


def _fault(session: Session, filled: dict[str, str], first: bool) -> str | None:
    if not EMAIL.fullmatch(filled["email"]):
        return NO_EMAIL
    if not filled["name"] or (first and not filled["studio"]):
        return NO_NAME
    if session.scalars(select(Teacher.id).where(Teacher.email == filled["email"])).first() is not None:
        return KNOWN_EMAIL
    return None


def _made_teacher(
    session: Session, parts: House, invited: Invitation, filled: dict[str, str], language: str
) -> Teacher:
    if invited.teacher_id is not None:
        return session.get_one(Teacher, invited.teacher_id)
    studio_id = invited.studio_id
    if studio_id is None:
        made = Studio(name=filled["studio"], created_at=parts.clock.now(), photo_days=parts.settings.photo_days)
        session.add(made)
        session.flush()
        studio_id = made.id
    teacher = Teacher(
        studio_id=studio_id,
        email=filled["email"],
        name=filled["name"],
        password_hash="",
        role=invited.role,
        language=language,
        created_at=parts.clock.now(),
    )
    session.add(teacher)
    session.flush()
    return teacher
