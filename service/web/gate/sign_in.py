"""Signing in, with a second factor where a teacher switched one on, and signing out."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from starlette.background import BackgroundTask
from starlette.datastructures import FormData

from service.records.audit import Action, note
from service.records.tables import PushSubscription, SignIn, Teacher
from service.security import digest, fresh_token, password_fits
from service.web.forms.reading import email_field, text_field
from service.web.gate.arrival import address_of
from service.web.gate.guard import Fields, OpenFields, TheHouse, Visitor, session_cookie
from service.web.gate.second_factor import code_fits, use_code
from service.web.house import House
from service.web.language import marked
from service.web.pages import go_to, page

router = APIRouter()
DEVICE = "device"
"""Purpose of the tag that says that somebody signed in here before as a certain teacher."""
DEVICE_DAYS = 365
"""How long a browser is known; our choice."""
HALFWAY = "password was right"
"""Purpose of the tag that a browser holds between password and second factor."""
HALFWAY_MINUTES = 10
"""As long as a code of six digits may be looked for: NIST SP 800-63B, 5.1.3.2, gives ten."""

WRONG_SIGN_IN = marked("E-mail address and password do not fit together.")
TOO_MANY_TRIES = marked("Too many tries. Please wait a minute.")
TOO_MANY_IN_AN_HOUR = marked("Too many tries. Please wait an hour.")
WRONG_PASSWORD = marked("The present password is not right.")
WRONG_CODE = marked(
    "This code does not fit, or it was used before. Please wait for the next one. "
    "Where none fits, the phone's clock is wrong: let the network set it."
)
TOO_LATE = marked("That took too long. Please sign in again.")


@router.get("/sign-in")
def sign_in_page(request: Request) -> HTMLResponse:
    """Ask for e-mail address and password."""
    return page(request, "sign_in.html", problem=None, email="")


@router.post("/sign-in")
def sign_in(request: Request, parts: TheHouse, form: OpenFields) -> Response:
    """Open a session, or ask for the second factor."""
    email = email_field(form)
    late = limit_reached(request, parts, email)
    if late is not None:
        return too_many(request, "sign_in.html", late, email=email)
    with parts.store.whole_house() as session:
        teacher = session.scalars(select(Teacher).where(Teacher.email == email)).one_or_none()
        if teacher is not None:
            request.state.who = f"teacher {teacher.id}"
        password = form.get("password")
        right = password_fits(password if isinstance(password, str) else "", teacher.password_hash if teacher else None)
        if teacher is None or not right:
            answer = page(request, "sign_in.html", 401, problem=WRONG_SIGN_IN, email=email)
            answer.background = BackgroundTask(
                _note_refused, parts, teacher
            )  # afterwards: time must not tell who is known
            return answer
        if teacher.factor_since is None:
            return signed_in(parts, session, teacher)
        return page(request, "second_factor.html", problem=None, halfway=_halfway(parts, teacher))


@router.post("/sign-in/code")
def second_step(request: Request, parts: TheHouse, form: OpenFields) -> Response:
    """Open a session with the second factor, or with a recovery code in its place."""
    halfway = text_field(form, "halfway", 200)
    teacher_id, until, mark = [*(parts.signer.read(HALFWAY, halfway) or "").split("-"), "", "", ""][:3]
    if not until or int(until) <= parts.clock.now().timestamp():
        return page(request, "sign_in.html", 401, problem=TOO_LATE, email="")
    with parts.store.whole_house() as session:
        teacher = session.get(Teacher, teacher_id)
        if teacher is None or teacher.factor_since is None or mark != _mark(teacher):
            return page(request, "sign_in.html", 401, problem=TOO_LATE, email="")
        request.state.who = f"teacher {teacher.id}"
        for rule in ("second-factor", "second-factor-hour"):
            if not parts.limiter.allows(rule, teacher.id):
                late = parts.limiter.retry_after_s(rule, teacher.id)
                return too_many(request, "second_factor.html", late, halfway=halfway)
        code = text_field(form, "code", 64)
        now = parts.clock.now()
        if code_fits(session, teacher, parts.factor_keys, code, now):
            return signed_in(parts, session, teacher)
        if use_code(session, teacher, code):
            return signed_in(parts, session, teacher, go_to("/account", told="without-phone"))
        note(session, teacher.studio_id, Action.SIGN_IN_REFUSED, now, teacher.id)
        return page(request, "second_factor.html", 401, problem=WRONG_CODE, halfway=halfway)


@router.post("/sign-out")
def sign_out(who: Visitor, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Close the session."""
    with parts.store.for_studio(who.studio_id) as session:
        open_one = session.get(SignIn, who.sign_in_id)
        if open_one is not None:
            end_session(session, parts, open_one)
            note(session, who.studio_id, Action.SIGNED_OUT, parts.clock.now(), who.teacher_id)
    return left(parts)


def left(parts: House) -> RedirectResponse:
    """Send a browser whose session has ended to the page for signing in, without its cookie."""
    answer = go_to("/sign-in")
    answer.delete_cookie(session_cookie(parts), secure=parts.settings.secure_cookies, httponly=True)
    return answer


def not_the_teacher(parts: House, teacher: Teacher, form: FormData) -> str | None:
    """Why whoever sits at a teacher's browser may not do this: it asks for the password anew, some times a minute."""
    if not parts.limiter.allows("sign-in", teacher.id):
        return TOO_MANY_TRIES
    return None if password_fits(str(form.get("password", "")), teacher.password_hash) else WRONG_PASSWORD


def too_many(request: Request, name: str, late_s: int, **fields: Any) -> HTMLResponse:
    """Show a form again after too many tries, and say how long to wait: a minute or an hour, as the limit is.

    Parameters
    ----------
    request : Request
    name : str
        The form's template.
    late_s : int
        Seconds to wait.
    **fields
        What the form shows.
    """
    problem = TOO_MANY_TRIES if late_s <= 60 else TOO_MANY_IN_AN_HOUR
    answer = page(request, name, 429, problem=problem, **fields)
    answer.headers["Retry-After"] = str(late_s)
    return answer


def limit_reached(request: Request, parts: House, email: str) -> int | None:
    """Seconds to wait where there were too many tries, else None.

    A browser in which this teacher signed in before counts for itself: guesses from elsewhere lock strangers out, never
    the teacher (OWASP, "device cookies").
    """
    address = address_of(request.scope)
    if parts.signer.read(DEVICE, request.cookies.get(device_cookie(parts), "")) == digest(email):
        rules = [("sign-in", f"known device of {email}")]
    else:
        rules = [("sign-in", f"{email} from {address}"), ("sign-in-address", address), ("sign-in-email", email)]
    for rule, who in rules:
        if not parts.limiter.allows(rule, who):
            return parts.limiter.retry_after_s(rule, who)
    return None


def device_cookie(parts: House) -> str:
    """Name of the cookie by which a browser is known again.

    Bound to one path, it may not have the prefix of `session_cookie`, and behind TLS has the other one that browsers
    hold a name to (RFC 6265bis, section 4.1.3).
    """
    return "__Secure-scrollreach-device" if parts.settings.secure_cookies else "scrollreach-device"


def end_sessions(session: Session, parts: House, teacher_id: str, but: str | None = None) -> None:
    """Sign a teacher out of every browser but one."""
    for one in session.scalars(select(SignIn).where(SignIn.teacher_id == teacher_id, SignIn.revoked_at.is_(None))):
        if one.id != but:
            end_session(session, parts, one)


def end_session(session: Session, parts: House, one: SignIn) -> None:
    """Sign a teacher out of one browser, which is told nothing more."""
    one.revoked_at = parts.clock.now()
    session.execute(delete(PushSubscription).where(PushSubscription.sign_in_id == one.id))


def signed_in(
    parts: House, session: Session, teacher: Teacher, answer: RedirectResponse | None = None
) -> RedirectResponse:
    """Open a session; its identity is fresh, whatever the browser held before.

    Parameters
    ----------
    parts : House
    session : Session
    teacher : Teacher
    answer : RedirectResponse, optional
        Where it leads; without one to the children.
    """
    token = fresh_token()
    lasts = timedelta(days=parts.settings.session_days)
    now = parts.clock.now()
    session.add(
        SignIn(
            studio_id=teacher.studio_id,
            teacher_id=teacher.id,
            token_digest=digest(token),
            created_at=now,
            seen_at=now,
            expires_at=now + lasts,
        )
    )
    note(session, teacher.studio_id, Action.SIGNED_IN, now, teacher.id)
    answer = answer or go_to("/children")
    answer.set_cookie(
        session_cookie(parts),
        token,
        max_age=int(lasts.total_seconds()),
        httponly=True,
        samesite="lax",
        secure=parts.settings.secure_cookies,
    )
    answer.set_cookie(
        device_cookie(parts),
        parts.signer.token(DEVICE, digest(teacher.email)),
        max_age=DEVICE_DAYS * 24 * 3600,
        path="/sign-in",
        httponly=True,
        samesite="lax",
        secure=parts.settings.secure_cookies,
    )
    return answer


def _note_refused(parts: House, teacher: Teacher | None) -> None:
    if teacher is not None:
        with parts.store.for_studio(teacher.studio_id) as session:
            note(session, teacher.studio_id, Action.SIGN_IN_REFUSED, parts.clock.now(), teacher.id)


def _halfway(parts: House, teacher: Teacher) -> str:
    until = int(parts.clock.now().timestamp()) + HALFWAY_MINUTES * 60
    return parts.signer.token(HALFWAY, f"{teacher.id}-{until}-{_mark(teacher)}")


def _mark(teacher: Teacher) -> str:
    """Of the password that was right: a new one ends what is halfway."""
    return digest(teacher.password_hash)[:16]
