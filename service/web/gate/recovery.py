"""A lost password: whoever kept a recovery code chooses a new one, without anybody's help.

A studio's only owner has nobody to ask.  The code stands for the password alone: where a second factor is switched on,
the sign-in that follows asks for it, or for another code.
"""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select

from service.records.audit import Action, note
from service.records.tables import Teacher
from service.security import hash_password
from service.web.forms.reading import email_field, text_field
from service.web.gate.arrival import address_of
from service.web.gate.guard import OpenFields, TheHouse
from service.web.gate.passwords import password_fault
from service.web.gate.second_factor import use_code
from service.web.gate.sign_in import end_sessions, too_many
from service.web.language import marked
from service.web.pages import go_to, page

router = APIRouter(prefix="/recover")
WRONG_CODE = marked("E-mail address and recovery code do not fit together, or the code was used before.")


@router.get("")
def recover_page(request: Request) -> HTMLResponse:
    """Ask for e-mail address, recovery code and a new password."""
    return page(request, "recover.html", problem=None, email="")


@router.post("")
def recover(request: Request, parts: TheHouse, form: OpenFields) -> Response:
    """Set the new password and end every session."""
    email = email_field(form)
    password, twice = (str(form.get(name, "")) for name in ("password", "twice"))
    address = address_of(request.scope)
    if not parts.limiter.allows("recovery", address):
        return too_many(request, "recover.html", parts.limiter.retry_after_s("recovery", address), email=email)
    problem = password_fault(password, twice, (email,))
    if problem is not None:
        return page(request, "recover.html", 422, problem=problem, email=email)
    with parts.store.whole_house() as session:
        teacher = session.scalars(select(Teacher).where(Teacher.email == email)).one_or_none()
        if teacher is None or not use_code(session, teacher, text_field(form, "code", 64)):
            return page(request, "recover.html", 401, problem=WRONG_CODE, email=email)
        teacher.password_hash = hash_password(password)
        end_sessions(session, parts, teacher.id)
        note(session, teacher.studio_id, Action.RECOVERED, parts.clock.now(), teacher.id)
    return go_to("/sign-in", told="sign-in")
