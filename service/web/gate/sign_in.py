"""Signing in and out, and the invitations that let a teacher in for the first time."""

from __future__ import annotations

import re
from datetime import timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import Invitation, SignIn, Studio, Teacher
from service.security import SHORTEST_PASSWORD, digest, fresh_token, hash_password, password_fits
from service.settings import Settings
from service.web.forms.reading import text_field
from service.web.gate.guard import Fields, LinkClosed, OpenFields, TheHouse, Visitor, session_cookie
from service.web.house import House
from service.web.language import marked, page_language
from service.web.pages import go_to, page

router = APIRouter()
DEVICE, DEVICE_COOKIE = "device", "scrollreach-device"
"""Says that somebody signed in here before as a certain teacher: the purpose of its tag, and its name."""
DEVICE_DAYS = 365
"""How long a browser is known; our choice."""
INVITATION_DAYS = 7
EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
LONGEST_PASSWORD = 200


WRONG_SIGN_IN = marked("E-mail address and password do not fit together.")
TOO_MANY_TRIES = marked("Too many tries. Please wait a minute.")
NO_EMAIL = marked("Please write an e-mail address such as name@example.org.")
SHORT_PASSWORD = marked("Please choose a password of at least ten characters.")
NOT_TWICE = marked("The two passwords differ.")
KNOWN_EMAIL = marked("This e-mail address already belongs to a teacher.")
NO_NAME = marked("Please write a name.")


@router.get("/sign-in")
def sign_in_page(request: Request) -> HTMLResponse:
    """Ask for e-mail address and password."""
    return page(request, "sign_in.html", problem=None, email="")


@router.post("/sign-in")
def sign_in(request: Request, parts: TheHouse, form: OpenFields) -> Response:
    """Open a session."""
    email = text_field(form, "email", 254).lower()
    address = request.client.host if request.client else "unknown"
    late = _limit_reached(request, parts, email, address)
    if late is not None:
        answer = page(request, "sign_in.html", 429, problem=TOO_MANY_TRIES, email=email)
        answer.headers["Retry-After"] = str(late)
        return answer
    with parts.store.whole_house() as session:
        teacher = session.scalars(select(Teacher).where(Teacher.email == email)).one_or_none()
        password = form.get("password")
        right = password_fits(
            password[:LONGEST_PASSWORD] if isinstance(password, str) else "", teacher.password_hash if teacher else None
        )
        if teacher is None or not right:
            return page(request, "sign_in.html", 401, problem=WRONG_SIGN_IN, email=email)
        return _signed_in(parts, session, teacher)


def _limit_reached(request: Request, parts: House, email: str, address: str) -> int | None:
    """Seconds to wait where there were too many tries, else None.

    A browser in which this teacher signed in before counts for itself: guesses from elsewhere lock strangers out, never
    the teacher (OWASP, "device cookies").
    """
    if parts.signer.read(DEVICE, request.cookies.get(DEVICE_COOKIE, "")) == digest(email):
        rules = [("sign-in", f"known device of {email}")]
    else:
        rules = [("sign-in", f"{email} from {address}"), ("sign-in-address", address), ("sign-in-email", email)]
    for rule, who in rules:
        if not parts.limiter.allows(rule, who):
            return parts.limiter.retry_after_s(rule, who)
    return None


@router.post("/sign-out")
def sign_out(who: Visitor, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Close the session."""
    with parts.store.for_studio(who.studio_id) as session:
        open_one = session.get(SignIn, who.sign_in_id)
        if open_one is not None:
            open_one.revoked_at = parts.clock.now()
    answer = go_to("/sign-in")
    answer.delete_cookie(session_cookie(parts), secure=parts.settings.secure_cookies, httponly=True)
    return answer


@router.get("/welcome/{token}")
def welcome_page(request: Request, token: str, parts: TheHouse) -> HTMLResponse:
    """Greet somebody who was invited."""
    with parts.store.whole_house() as session:
        invited = _open_invitation(session, parts, token)
        teacher = session.get(Teacher, invited.teacher_id) if invited.teacher_id else None
    return page(
        request,
        "welcome.html",
        problem=None,
        first=invited.studio_id is None,
        again=invited.teacher_id is not None,
        filled={"email": teacher.email if teacher else "", "name": teacher.name if teacher else "", "studio": ""},
    )


@router.post("/welcome/{token}")
def welcome(request: Request, token: str, parts: TheHouse, form: OpenFields) -> Response:
    """Make the teacher, and the studio where there is none yet; or set a new password."""
    filled = {name: text_field(form, name, 80) for name in ("name", "studio")}
    filled["email"] = text_field(form, "email", 254).lower()
    with parts.store.whole_house() as session:
        invited = _open_invitation(session, parts, token)
        first, again = invited.studio_id is None, invited.teacher_id is not None
        problem = _fault(session, filled, str(form.get("password", "")), str(form.get("twice", "")), first, again)
        if problem is not None:
            return page(request, "welcome.html", 422, problem=problem, first=first, again=again, filled=filled)
        invited.used_at = parts.clock.now()
        teacher = _made_teacher(session, parts, invited, filled, page_language(request))
        teacher.password_hash = hash_password(str(form["password"])[:LONGEST_PASSWORD])
        _revoke_sessions(session, parts, teacher.id)
        return _signed_in(parts, session, teacher)


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
    from service.records.database import Store

    store = Store(settings.database)
    store.migrate()
    with store.whole_house() as session:
        if session.scalars(select(Teacher.id).limit(1)).first() is not None:
            return None
        now = SystemClock().now()
        token = fresh_token()
        session.add(Invitation(token_digest=digest(token), expires_at=now + timedelta(days=INVITATION_DAYS)))
    store.close()
    return f"{base_url.rstrip('/')}/welcome/{token}"


def new_invitation(session: Session, parts: House, studio_id: str, teacher_id: str | None) -> str:
    """Invite a further teacher, or one who lost the password; returns the token of the link."""
    token = fresh_token()
    session.add(
        Invitation(
            token_digest=digest(token),
            studio_id=studio_id,
            teacher_id=teacher_id,
            expires_at=parts.clock.now() + timedelta(days=INVITATION_DAYS),
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


def _fault(session: Session, filled: dict[str, str], password: str, twice: str, first: bool, again: bool) -> str | None:
    if len(password) < SHORTEST_PASSWORD:
        return SHORT_PASSWORD
    if password != twice:
        return NOT_TWICE
    if again:
        return None
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
        language=language,
        created_at=parts.clock.now(),
    )
    session.add(teacher)
    session.flush()
    return teacher


def _revoke_sessions(session: Session, parts: House, teacher_id: str) -> None:
    for one in session.scalars(select(SignIn).where(SignIn.teacher_id == teacher_id, SignIn.revoked_at.is_(None))):
        one.revoked_at = parts.clock.now()


def _signed_in(parts: House, session: Session, teacher: Teacher) -> RedirectResponse:
    token = fresh_token()
    lasts = timedelta(days=parts.settings.session_days)
    now = parts.clock.now()
    session.add(
        SignIn(
            studio_id=teacher.studio_id,
            teacher_id=teacher.id,
            token_digest=digest(token),
            created_at=now,
            expires_at=now + lasts,
        )
    )
    answer = go_to("/children")
    answer.set_cookie(
        session_cookie(parts),
        token,
        max_age=int(lasts.total_seconds()),
        httponly=True,
        samesite="lax",
        secure=parts.settings.secure_cookies,
    )
    answer.set_cookie(
        DEVICE_COOKIE,
        parts.signer.token(DEVICE, digest(teacher.email)),
        max_age=DEVICE_DAYS * 24 * 3600,
        path="/sign-in",
        httponly=True,
        samesite="lax",
        secure=parts.settings.secure_cookies,
    )
    return answer
