"""A teacher's own account: language, password, second factor, recovery codes, and where the teacher is signed in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import func, select

from service.records.audit import Action, note
from service.records.tables import RecoveryCode, SignIn, Teacher
from service.security import hash_password
from service.web.forms.models import AccountForm, RevokeForm
from service.web.forms.reading import text_field
from service.web.gate.guard import Fields, Records, SignedIn, TheHouse, Visitor, nothing_here
from service.web.gate.passwords import password_fault
from service.web.gate.second_factor import address_of, code_fits, new_codes, offer_key, switch_off
from service.web.gate.sign_in import TOO_MANY_TRIES, WRONG_CODE, end_session, end_sessions, left, not_the_teacher
from service.web.house import House
from service.web.pages import go_to, page
from service.web.teacher.requests import qr_svg

router = APIRouter(prefix="/account")

Part = Literal["password", "factor", "codes", "browsers"]
"""A part of the page with a form that may have been refused."""
NO_PROBLEMS: Mapping[Part, str | None] = {}


@router.get("")
def account(request: Request, who: Visitor, parts: TheHouse, records: Records) -> HTMLResponse:
    """Show the account."""
    return _shown(request, who, parts, records)


@router.post("/settings")
def change_settings(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Change the teacher's language, and whether mails say that photos have arrived."""
    teacher, wished = records.get_one(Teacher, who.teacher_id), AccountForm.read(form)
    teacher.language = wished.language or teacher.language
    if parts.settings.mail_server:  # else the form does not ask
        teacher.told_by_mail = wished.told_by_mail
    return go_to("/account", told="saved")


@router.post("/password")
def change_password(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Set a new password; every other browser is signed out."""
    teacher = records.get_one(Teacher, who.teacher_id)
    problem = not_the_teacher(parts, teacher, form) or password_fault(
        str(form.get("new", "")), str(form.get("twice", "")), (teacher.email, teacher.name)
    )
    if problem is not None:
        return _shown(request, who, parts, records, 422, problems={"password": problem})
    teacher.password_hash = hash_password(str(form["new"]))
    end_sessions(records, parts, teacher.id, but=who.sign_in_id)
    note(records, who.studio_id, Action.PASSWORD_CHANGED, parts.clock.now(), who.teacher_id, who.teacher_id)
    return go_to("/account", told="password")


@router.post("/second-factor")
def offer_factor(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """After the password: show the key of a second factor, to be proven by a first code."""
    teacher = records.get_one(Teacher, who.teacher_id)
    problem = not_the_teacher(parts, teacher, form)
    if problem is not None or teacher.factor_since is not None:
        return _shown(request, who, parts, records, 422 if problem else 200, problems={"factor": problem})
    return _offered(request, parts, teacher, None)


@router.post("/second-factor/on")
def switch_factor_on(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Switch the second factor on once a code proves that a phone has its key; show recovery codes."""
    teacher = records.get_one(Teacher, who.teacher_id)
    if teacher.factor_since is not None or teacher.factor_key is None:
        return go_to("/account")
    if not parts.limiter.allows("second-factor", who.teacher_id):
        return _offered(request, parts, teacher, TOO_MANY_TRIES, 429)
    now = parts.clock.now()
    if not code_fits(records, teacher, parts.factor_keys, text_field(form, "code", 16), now):
        return _offered(request, parts, teacher, WRONG_CODE, 422)
    teacher.factor_since = now
    end_sessions(records, parts, teacher.id, but=who.sign_in_id)
    note(records, who.studio_id, Action.FACTOR_ON, now, who.teacher_id, who.teacher_id)
    return _with_new_codes(request, who, parts, records, teacher)


@router.post("/second-factor/off")
def switch_factor_off(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Switch the second factor off, after the password."""
    teacher = records.get_one(Teacher, who.teacher_id)
    problem = not_the_teacher(parts, teacher, form)
    if problem is not None:
        return _shown(request, who, parts, records, 422, problems={"factor": problem})
    switch_off(teacher)
    note(records, who.studio_id, Action.FACTOR_OFF, parts.clock.now(), who.teacher_id, who.teacher_id)
    return go_to("/account", told="factor-off")


@router.post("/codes")
def make_codes(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Make recovery codes in place of the former ones, after the password."""
    teacher = records.get_one(Teacher, who.teacher_id)
    problem = not_the_teacher(parts, teacher, form)
    if problem is not None:
        return _shown(request, who, parts, records, 422, problems={"codes": problem})
    return _with_new_codes(request, who, parts, records, teacher)


@router.post("/revoke")
def revoke(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Sign a browser out, after the password; every one but this where none is named."""
    problem = not_the_teacher(parts, records.get_one(Teacher, who.teacher_id), form)
    if problem is not None:
        return _shown(request, who, parts, records, 422, problems={"browsers": problem})
    chosen = RevokeForm.read(form).sign_in_id
    note(records, who.studio_id, Action.BROWSER_SIGNED_OUT, parts.clock.now(), who.teacher_id, chosen or None)
    if not chosen:
        end_sessions(records, parts, who.teacher_id, but=who.sign_in_id)
        return go_to("/account", told="signed-out")
    sign_in = records.get(SignIn, chosen)
    if sign_in is None or sign_in.teacher_id != who.teacher_id:
        raise nothing_here()
    end_session(records, parts, sign_in)
    return go_to("/account", told="signed-out") if sign_in.id != who.sign_in_id else left(parts)


def _offered(request: Request, parts: House, teacher: Teacher, problem: str | None, status: int = 200) -> HTMLResponse:
    key = offer_key(teacher, parts.factor_keys)
    picture = qr_svg(address_of(key, teacher.email))
    grouped = " ".join(key[at : at + 4] for at in range(0, len(key), 4))
    return page(request, "teacher/second_factor.html", status, qr=picture, key=grouped, problem=problem)


def _with_new_codes(request: Request, who: SignedIn, parts: House, records: Records, teacher: Teacher) -> HTMLResponse:
    codes = new_codes(records, teacher)
    note(records, who.studio_id, Action.RECOVERY_CODES_MADE, parts.clock.now(), who.teacher_id, who.teacher_id)
    return _shown(request, who, parts, records, codes=codes)


def _shown(
    request: Request,
    who: SignedIn,
    parts: House,
    records: Records,
    status: int = 200,
    codes: list[str] | None = None,
    problems: Mapping[Part, str | None] = NO_PROBLEMS,
) -> HTMLResponse:
    now = parts.clock.now()
    return page(
        request,
        "teacher/account.html",
        status,
        who=who,
        account=records.get_one(Teacher, who.teacher_id),
        sign_ins=records.scalars(
            select(SignIn)
            .where(SignIn.teacher_id == who.teacher_id, SignIn.revoked_at.is_(None), SignIn.expires_at > now)
            .order_by(SignIn.seen_at.desc())
        ).all(),
        mails=bool(parts.settings.mail_server),
        push_key=parts.push.public_key if parts.push else None,
        codes=codes,
        codes_left=records.scalar(
            select(func.count()).select_from(RecoveryCode).where(RecoveryCode.teacher_id == who.teacher_id)
        ),
        problems=problems,
    )
