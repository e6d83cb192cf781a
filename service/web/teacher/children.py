"""The children at a glance, and one child's page: the arm, the instruments, the signs, the tape, what to order."""

from __future__ import annotations

import json
from datetime import date, datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.fit.errors import FitError
from service.fit.lengths import TAPE_ARM_U_MM, parse_length
from service.fit.signs import SIGN_QUESTIONS
from service.measuring.outcome import KNOWN_AGES_YEARS
from service.records.audit import Action, note
from service.records.deciding import candidate, latest_arm
from service.records.erase import erase_child
from service.records.export import child_csv, child_export
from service.records.shelf import call_borrower_after
from service.records.tables import (
    ACCEPTED,
    MEASURED,
    ArmRecord,
    Child,
    Instrument,
    PhotoRequest,
    SignsRecord,
    TapeRecord,
    Upload,
    VerdictRecord,
)
from service.records.tapes import count, let_go, of_its_time
from service.records.verdicts import keep_verdict, rename_with_child
from service.settings import PROGRAM_VERSION
from service.web.forms.models import LONGEST_NICKNAME, ChildForm, InstrumentChoice, TapeForm, answers
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here
from service.web.language import marked, page_language, translator
from service.web.pages import go_to, page
from service.web.teacher.child_view import child_view, side_by_side
from service.web.teacher.deeds import did, go_done
from service.web.teacher.progress import how_far_is
from service.words.names import in_order, plain
from service.words.writing import day_of

router = APIRouter(prefix="/children")
YOUNGEST, OLDEST = int(KNOWN_AGES_YEARS[0]), int(KNOWN_AGES_YEARS[1]) - 1
"""Ages on their last birthday, years, of the children whom the form offers."""


@router.get("")
def children(
    request: Request, parts: TheHouse, records: Records, who: Visitor, q: str = "", state: str = ""
) -> HTMLResponse:
    """List the children and how far each is; of a search, those whose name holds the words and who are that far."""
    every = [(child, how_far_is(records, child, parts.clock.now())) for child in records.scalars(select(Child))]
    words = q.strip()[:LONGEST_NICKNAME]
    rows = [
        (child, how_far)
        for child, how_far in every
        if plain(words) in plain(child.nickname)
        and (not state or state == how_far.kind or (state == "again" and how_far.again))
    ]
    rows.sort(key=lambda row: (row[1].order, in_order(row[0].nickname)))
    to_review = sum(how_far.to_review for _, how_far in every)
    return page(request, "teacher/children.html", rows=rows, to_review=to_review, q=words, state=state, many=len(every))


@router.get("/new")
def new_child(request: Request, who: Visitor, parts: TheHouse) -> HTMLResponse:
    """Ask about a new child."""
    return _form(request, day_of(parts.clock.now()), None, ChildForm())


@router.post("/new")
def make_child(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Make a child."""
    today, typed = day_of(parts.clock.now()), ChildForm.read(form)
    if not typed.nickname:
        return _form(request, today, None, typed, 422)
    child = Child(studio_id=who.studio_id, nickname="", created_at=parts.clock.now())
    _fill(child, typed, today)
    records.add(child)
    records.flush()
    return go_to(f"/children/{child.id}")


@router.get("/{child_id}")
def child_page(request: Request, child_id: str, parts: TheHouse, records: Records) -> HTMLResponse:
    """Show all about one child."""
    return _shown(request, parts.clock.now(), records, _child(records, child_id))


@router.get("/{child_id}/compare")
def compare(
    request: Request, child_id: str, parts: TheHouse, records: Records, one: str = "", other: str = ""
) -> Response:
    """Two instruments side by side for a child."""
    child = _child(records, child_id)
    language = page_language(request)
    if one and one == other:
        words = translator(language)(marked("Choose two different instruments to compare."))
        return _shown(request, parts.clock.now(), records, child, 422, compare_problem=words)
    found = side_by_side(records, child, (one, other), translator(language), language)
    if found is None:
        return go_to(f"/children/{child.id}#instruments")
    return page(request, "teacher/compare.html", child=child, **found)


@router.get("/{child_id}/edit")
def edit_child(request: Request, child_id: str, parts: TheHouse, records: Records) -> HTMLResponse:
    """Ask what to change."""
    child = _child(records, child_id)
    return _form(request, day_of(parts.clock.now()), child, child)


@router.post("/{child_id}/edit")
def change_child(
    request: Request, child_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> Response:
    """Change what is known of a child."""
    child = _child(records, child_id)
    today, typed, before = day_of(parts.clock.now()), ChildForm.read(form), child.nickname
    if not typed.nickname:
        return _form(request, today, child, typed, 422)
    with did(records, who, parts, "child-changed", child.id) as deed:
        _fill(child, typed, today)
        if child.nickname != before:
            rename_with_child(records, child, before)
            call_borrower_after(records, child, before)
    parts.store.traces_left = True  # the former nickname
    return go_done(f"/children/{child.id}", deed)


@router.post("/{child_id}/instrument")
def use_instrument(child_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Note which instrument the child plays."""
    child = _child(records, child_id)
    chosen = InstrumentChoice.read(form).instrument_id
    if chosen:
        _candidate(records, child, chosen)
    with did(records, who, parts, "instrument-in-use", child.id) as deed:
        child.instrument_id = chosen or None
    return go_done(f"/children/{child.id}#instruments", deed)


@router.post("/{child_id}/signs")
def note_signs(child_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Note what was seen while the child played an instrument."""
    child = _child(records, child_id)
    instrument = _candidate(records, child, InstrumentChoice.read(form).instrument_id)
    today = day_of(parts.clock.now())
    noted = records.scalars(
        select(SignsRecord).where(
            SignsRecord.child_id == child.id,
            SignsRecord.instrument_id == instrument.id,
            SignsRecord.noted_on == today,
        )
    ).first()
    with did(records, who, parts, "signs-noted", child.id) as deed:
        if noted is None:  # noted twice on one day, the later answers hold
            noted = SignsRecord(
                studio_id=child.studio_id, child_id=child.id, instrument_id=instrument.id, noted_on=today, answers={}
            )
            records.add(noted)
        noted.answers = answers(form, SIGN_QUESTIONS)
    return go_done(f"/children/{child.id}#signs", deed)


@router.post("/{child_id}/tape")
def note_tape(
    request: Request, child_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> Response:
    """Note a tape reading, and compare it with the photo."""
    child = _child(records, child_id)
    now, typed = parts.clock.now(), TapeForm.read(form).reading
    try:
        reading = parse_length(typed, "tape", TAPE_ARM_U_MM)  # which may hold any slip
    except FitError as error:
        language = page_language(request)
        words = error.sentence.text(translator(language), language)
        return _shown(request, now, records, child, 422, tape_problem=words, tape_typed=typed)
    with did(records, who, parts, "tape-noted", child.id) as deed:
        records.add(
            TapeRecord(
                studio_id=child.studio_id,
                child_id=child.id,
                taken_on=day_of(now),
                value_mm=reading.value_mm,
                uncertainty_mm=reading.standard_uncertainty_mm,
                told_by="teacher",
            )
        )
    return go_done(f"/children/{child.id}#tape", deed)


@router.post("/{child_id}/tape/{tape_id}/count")
def count_tape(
    child_id: str, tape_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> RedirectResponse:
    """Let a tape reading that agrees with the photo of the latest arm count with it."""
    tape, arm = records.get(TapeRecord, tape_id), latest_arm(records, child_id)
    if tape is None or tape.child_id != child_id or arm is None or of_its_time(tape, [arm]) is None:
        raise nothing_here()
    with did(records, who, parts, "tape-counted", child_id) as deed:
        let_go(records, tape)  # of an arm that was measured before this one
        if not count(tape, arm):
            raise nothing_here()
    return go_done(f"/children/{child_id}#tape", deed)


@router.post("/{child_id}/tape/{tape_id}/take-back")
def take_tape_back(
    child_id: str, tape_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> RedirectResponse:
    """Delete a tape reading that was a slip."""
    tape = records.get(TapeRecord, tape_id)
    if tape is None or tape.child_id != child_id:
        raise nothing_here()
    with did(records, who, parts, "tape-taken-back", child_id) as deed:
        let_go(records, tape)
        records.delete(tape)
    return go_done(f"/children/{child_id}#tape", deed)


@router.post("/{child_id}/arm/{arm_id}/take-back")
def take_arm_back(
    child_id: str, arm_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> RedirectResponse:
    """Take an accepted arm out of the records; its photo is to be reviewed again, and can be accepted again."""
    arm = records.get(ArmRecord, arm_id)
    if arm is None or arm.child_id != child_id:
        raise nothing_here()
    with did(records, who, parts, "arm-taken-back", child_id) as deed:
        upload = records.get(Upload, arm.upload_id) if arm.upload_id else None
        if upload is not None and upload.state == ACCEPTED:
            upload.state = MEASURED
        for verdict in records.scalars(select(VerdictRecord).where(VerdictRecord.arm_record_id == arm.id)):
            verdict.arm_record_id = None
        records.flush()
        records.delete(arm)
    return go_done(f"/children/{child_id}#arm", deed)


@router.post("/{child_id}/verdict")
def decide(request: Request, child_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Judge an instrument for the child and keep the verdict."""
    child = _child(records, child_id)
    instrument = _candidate(records, child, InstrumentChoice.read(form).instrument_id)
    arm = latest_arm(records, child.id)
    if arm is None:
        raise nothing_here()
    asked = records.scalars(
        select(PhotoRequest).where(PhotoRequest.child_id == child.id).order_by(PhotoRequest.created_at.desc())
    ).first()
    with did(records, who, parts, "decided", child.id):
        kept = keep_verdict(
            records,
            child,
            arm,
            instrument,
            teacher_id=who.teacher_id,
            now=parts.clock.now(),
            language=asked.language if asked else page_language(request),
            program_version=PROGRAM_VERSION,
        )
    return go_to(f"/verdicts/{kept.id}")


@router.get("/{child_id}/export.json")
def export_json(child_id: str, who: Visitor, parts: TheHouse, records: Records) -> Response:
    """Hand out all that is kept about a child."""
    child = _child(records, child_id)
    note(records, who.studio_id, Action.CHILD_EXPORTED, parts.clock.now(), who.teacher_id, child.id)
    return _download(json.dumps(child_export(records, child), ensure_ascii=False, indent=1), "application/json", "json")


@router.get("/{child_id}/export.csv")
def export_csv(child_id: str, who: Visitor, parts: TheHouse, records: Records) -> Response:
    """Hand out the numbers about a child."""
    child = _child(records, child_id)
    note(records, who.studio_id, Action.CHILD_EXPORTED, parts.clock.now(), who.teacher_id, child.id)
    return _download(child_csv(records, child), "text/csv; charset=utf-8", "csv")


@router.get("/{child_id}/delete")
def delete_page(request: Request, child_id: str, records: Records) -> HTMLResponse:
    """Ask once more before a child is deleted."""
    return page(request, "teacher/child_delete.html", child=_child(records, child_id))


@router.post("/{child_id}/delete")
def delete_child(child_id: str, who: Visitor, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Delete a child and everything about it."""
    if not erase_child(parts.store, parts.photos, who.studio_id, child_id):
        raise nothing_here()
    with parts.store.for_studio(who.studio_id) as records:
        note(records, who.studio_id, Action.CHILD_DELETED, parts.clock.now(), who.teacher_id, child_id)
    return go_to("/children")


def _shown(
    request: Request,
    now: datetime,
    records: Session,
    child: Child,
    status: int = 200,
    tape_problem: str | None = None,
    tape_typed: str = "",
    compare_problem: str | None = None,
) -> HTMLResponse:
    language = page_language(request)
    return page(
        request,
        "teacher/child.html",
        status,
        child=child,
        tape_problem=tape_problem,
        tape_typed=tape_typed,
        compare_problem=compare_problem,
        **child_view(records, child, now, translator(language), language),
    )


def _child(records: Session, child_id: str) -> Child:
    child = records.get(Child, child_id)
    if child is None:
        raise nothing_here()
    return child


def _candidate(records: Session, child: Child, instrument_id: str) -> Instrument:
    found = candidate(records, child, instrument_id)
    if found is None:
        raise nothing_here()
    return found


def _fill(child: Child, known: ChildForm, today: date) -> None:
    """Take over a child's fields."""
    year = known.birth_year
    child.nickname = known.nickname
    child.birth_year = year if year is not None and YOUNGEST <= today.year - year <= OLDEST else None
    child.birth_month = known.birth_month if child.birth_year else None
    child.sex = known.sex


def _form(
    request: Request, today: date, child: Child | None, filled: Child | ChildForm, status: int = 200
) -> HTMLResponse:
    """The form of a new child, or of a `child` that is known, with what is `filled` in: what was typed is not lost."""
    years = range(today.year - YOUNGEST, today.year - OLDEST - 1, -1)
    shown = {"child": child, "filled": filled, "years": years, "nameless": status != 200}
    return page(request, "teacher/child_form.html", status, **shown)


def _download(content: str, media_type: str, ending: str) -> Response:
    return Response(
        content, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="child.{ending}"'}
    )
