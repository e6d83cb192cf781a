"""What was done in the studio, by whom, and the button that takes it back."""

from __future__ import annotations

from contextlib import AbstractContextManager

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.deeds import LOG_DAYS, UNDO_DAYS, WORDS, ChangedSince, can_undo, doing, undo
from service.records.tables import Child, Deed, Teacher
from service.web.forms.models import DeedForm
from service.web.gate.guard import Fields, Records, SignedIn, TheHouse, Visitor, nothing_here
from service.web.house import House
from service.web.pages import go_to, page

router = APIRouter(prefix="/deeds")
CALLED = {"instrument": "name", "chart": "name", "open_order": "reference"}
"""By table, the column that people know a row by."""
MOST = 200
"""Deeds shown at once; our choice, weeks of a busy studio."""


@router.get("")
def deeds(request: Request, who: Visitor, parts: TheHouse, records: Records, kept: str = "") -> HTMLResponse:
    """List what was done, the latest first."""
    now = parts.clock.now()
    found = records.scalars(select(Deed).order_by(Deed.done_at.desc()).limit(MOST)).all()
    teachers = {each.id: each.name for each in records.scalars(select(Teacher))}
    children = {each.id: each.nickname for each in records.scalars(select(Child))}
    return page(
        request,
        "teacher/deeds.html",
        deeds=found,
        words=WORDS,
        teachers=teachers,
        about={each.id: children.get(each.child_id or "") or _thing(each) for each in found},
        can_undo={each.id: can_undo(each, now) for each in found},
        undo_days=UNDO_DAYS,
        log_days=LOG_DAYS,
        kept=kept == "yes",
    )


@router.post("/{deed_id}/undo")
def take_back(deed_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Take a deed back; where something it touched was changed since, nothing happens and the list says why."""
    deed = records.get(Deed, deed_id)
    if deed is None:
        raise nothing_here()
    back = DeedForm.read(form).back
    try:
        with records.begin_nested():
            undo(records, parts.photos, deed, parts.clock.now())
    except ChangedSince:
        return go_to("/deeds?kept=yes")
    return go_to(own_path(back, "/deeds"))


def did(
    records: Session, who: SignedIn, parts: House, what: str, child_id: str | None = None
) -> AbstractContextManager[Deed]:
    """Note what a teacher does in a block; `what` is one of `WORDS`."""
    return doing(records, who.teacher_id, who.studio_id, parts.clock.now(), what, child_id)


def go_done(path: str, deed: Deed) -> RedirectResponse:
    """Go on to a page that says what was done and offers to undo it."""
    where, mark, place = path.partition("#")
    return go_to(f"{where}{'&' if '?' in where else '?'}done={deed.id}{mark}{place}")


def own_path(back: str, otherwise: str) -> str:
    """The page that a form came from; `otherwise` where it names none of ours."""
    return back if back.startswith("/") and not back.startswith(("//", "/\\")) else otherwise


def _thing(deed: Deed) -> str:
    """What people call the instrument, chart or order that a deed is about, while it is known."""
    for noted in deed.changes.get("rows", ()):
        name = ((noted["after"] or {}) | (noted["before"] or {})).get(CALLED.get(noted["table"], ""))
        if name:
            return str(name)
    return ""
