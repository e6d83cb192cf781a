"""The people of a studio: inviting, roles, removing, and who did what; for owners (`service.web.gate.guard`)."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from service.records.audit import KEPT_DAYS, Action, note
from service.records.database import changed
from service.records.tables import OWNER, TEACHER, AuditEntry, Invitation, Studio, Teacher
from service.web.forms.models import InviteForm, RoleForm, WithdrawForm
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here
from service.web.gate.invitations import new_invitation, welcome_address
from service.web.gate.second_factor import switch_off
from service.web.gate.sign_in import end_sessions, left
from service.web.house import base_url
from service.web.language import marked
from service.web.pages import go_to, page
from service.web.reach import reach
from service.web.teacher.studio import studio_page

router = APIRouter(prefix="/studio")
TeacherId = Annotated[str, Path(max_length=32)]
A_PAGE = 100
"""Entries of the history on one page; our choice."""
LAST_OWNER = marked("A studio needs an owner. Make another teacher an owner first.")

SAID = {
    Action.SIGNED_IN: marked("signed in"),
    Action.SIGN_IN_REFUSED: marked("sign-in refused"),
    Action.OWNERS_PART_REFUSED: marked("refused: for owners only"),
    Action.SIGNED_OUT: marked("signed out"),
    Action.PASSWORD_CHANGED: marked("password changed"),
    Action.RECOVERED: marked("new password by recovery code"),
    Action.RECOVERY_CODES_MADE: marked("recovery codes made"),
    Action.FACTOR_ON: marked("second factor switched on"),
    Action.FACTOR_OFF: marked("second factor switched off"),
    Action.BROWSER_SIGNED_OUT: marked("signed out elsewhere"),
    Action.TEACHER_INVITED: marked("invitation made"),
    Action.INVITATION_WITHDRAWN: marked("invitation withdrawn"),
    Action.TEACHER_JOINED: marked("joined the studio"),
    Action.TEACHER_REMOVED: marked("teacher removed"),
    Action.ROLE_CHANGED: marked("role changed"),
    Action.SETTINGS_CHANGED: marked("settings changed"),
    Action.KEY_MADE: marked("key made"),
    Action.KEY_REVOKED: marked("key revoked"),
    Action.WEBHOOK_DELETED: marked("address of a program deleted"),
    Action.EXPORTED: marked("everything taken along"),
    Action.LINK_MADE: marked("link for a family made"),
    Action.MEASUREMENT_ACCEPTED: marked("measurement accepted"),
    Action.REPORT_SHARED: marked("report shared"),
    Action.CHILD_EXPORTED: marked("a child's records taken along"),
    Action.CHILD_DELETED: marked("child deleted"),
    Action.SENT_DELETED: marked("a family deleted what it sent"),
}
"""What each action is called on the page."""


@router.post("/invite")
def invite(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Make a link for a further teacher, or for one who lost the password."""
    wished = InviteForm.read(form)
    if wished.teacher_id and records.get(Teacher, wished.teacher_id) is None:
        raise nothing_here()
    token = new_invitation(records, parts.clock.now(), who.studio_id, wished.teacher_id or None, wished.role or TEACHER)
    note(records, who.studio_id, Action.TEACHER_INVITED, parts.clock.now(), who.teacher_id, wished.teacher_id or None)
    link = welcome_address(base_url(request, parts.settings), token)
    reached = reach(link, parts.settings.has_own_certificate)
    return studio_page(request, who, parts, records, link=link, reach=reached)


@router.post("/invitations/withdraw")
def withdraw(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Close a link that lets somebody in, before anybody has come in by it."""
    wished = WithdrawForm.read(form).invitation_id
    own = update(Invitation).where(Invitation.id == wished, Invitation.studio_id == who.studio_id)
    if changed(records, own.where(Invitation.used_at.is_(None)).values(used_at=parts.clock.now())) != 1:
        raise nothing_here()
    note(records, who.studio_id, Action.INVITATION_WITHDRAWN, parts.clock.now(), who.teacher_id, wished)
    return go_to("/studio")


@router.post("/teachers/{teacher_id}/role")
def change_role(
    request: Request, who: Visitor, parts: TheHouse, records: Records, teacher_id: TeacherId, form: Fields
) -> Response:
    """Make a teacher an owner, or an owner a teacher."""
    teacher = _teacher(records, teacher_id)
    role = RoleForm.read(form).role or teacher.role
    if role != OWNER and _is_last_owner(records, teacher):
        return studio_page(request, who, parts, records, 409, problem=LAST_OWNER)
    teacher.role = role
    note(records, who.studio_id, Action.ROLE_CHANGED, parts.clock.now(), who.teacher_id, teacher.id)
    return go_to("/studio" if role == OWNER or teacher.id != who.teacher_id else "/account")


@router.post("/teachers/{teacher_id}/factor-off")
def switch_factor_off(
    who: Visitor, parts: TheHouse, records: Records, teacher_id: TeacherId, form: Fields
) -> RedirectResponse:
    """Switch off the second factor of another teacher, who lost the phone, and end that teacher's sessions."""
    teacher = _teacher(records, teacher_id)
    if teacher.id == who.teacher_id:  # one's own asks for the password
        return go_to("/account")
    switch_off(teacher)
    end_sessions(records, parts, teacher.id)
    note(records, who.studio_id, Action.FACTOR_OFF, parts.clock.now(), who.teacher_id, teacher.id)
    return go_to("/studio")


@router.get("/teachers/{teacher_id}/remove")
def remove_page(request: Request, records: Records, who: Visitor, teacher_id: TeacherId) -> HTMLResponse:
    """Say what removing a teacher does, and ask."""
    return page(request, "teacher/teacher_remove.html", removed=_teacher(records, teacher_id), who=who)


@router.post("/teachers/{teacher_id}/remove")
def remove(
    request: Request, who: Visitor, parts: TheHouse, records: Records, teacher_id: TeacherId, form: Fields
) -> Response:
    """Remove a teacher with every session; what was measured stays, and names nobody.

    Invitations that are still open are closed with it: whoever is removed may have made one.
    """
    teacher = _teacher(records, teacher_id)
    if _is_last_owner(records, teacher):
        return studio_page(request, who, parts, records, 409, problem=LAST_OWNER)
    now = parts.clock.now()
    still_open = select(Invitation).where(Invitation.studio_id == who.studio_id, Invitation.used_at.is_(None))
    for invited in records.scalars(still_open):
        invited.used_at = now
    records.delete(teacher)
    note(records, who.studio_id, Action.TEACHER_REMOVED, now, who.teacher_id, teacher.id)
    return go_to("/studio") if teacher.id != who.teacher_id else left(parts)


@router.get("/history")
def history(
    request: Request, who: Visitor, records: Records, before: Annotated[int, Query(ge=0, le=10**6)] = 0
) -> HTMLResponse:
    """Who did what, and when, the latest first; `before` so many later entries are left out."""
    entries = records.scalars(
        select(AuditEntry).order_by(AuditEntry.at.desc(), AuditEntry.id).offset(before).limit(A_PAGE + 1)
    ).all()
    names = {teacher.id: teacher.name for teacher in records.scalars(select(Teacher))}
    return page(
        request,
        "teacher/history.html",
        entries=entries[:A_PAGE],
        names=names,
        said={action.value: words for action, words in SAID.items()},
        kept_days=KEPT_DAYS,
        newer=max(0, before - A_PAGE) if before else None,
        older=before + A_PAGE if len(entries) > A_PAGE else None,
    )


def _teacher(records: Session, teacher_id: str) -> Teacher:
    teacher = records.get(Teacher, teacher_id)
    if teacher is None:
        raise nothing_here()
    return teacher


def _is_last_owner(records: Session, teacher: Teacher) -> bool:
    """Whether nobody else owns the studio; until this change is kept, nobody else can change who does."""
    changed(records, update(Studio).where(Studio.id == teacher.studio_id).values(name=Studio.name))
    records.refresh(teacher)
    owners = records.scalar(select(func.count()).select_from(Teacher).where(Teacher.role == OWNER))
    return teacher.role == OWNER and owners == 1
