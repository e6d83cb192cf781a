"""The shelf over HTTP: its instruments one by one and all at once, what is lent out, and what suits an arm."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, HTTPException, Query, Request, Response

from calibration.quantity import length_json
from service.api.callers import Scope, caller_of, needs_member
from service.api.once import ONCE, OnceRoute, Records, TheClock
from service.api.paging import Cursor, Identity, Limit, cursor_of, read_cursor
from service.api.problem_details import NOT_THERE, RESPONSES, ProblemDetails, problem_response
from service.api.shelf_models import (
    ArmOnOne,
    ArmOnShelf,
    CounterOut,
    LoanIn,
    LoanOut,
    ShelfIn,
    ShelfOut,
    ShelfPage,
    TableOut,
)
from service.api.verdict_models import VerdictOut
from service.fit.verdict import judge
from service.fit.verdict_json import verdict_json
from service.questions.asked import Language
from service.records import stock
from service.records.deciding import chart_in_use, condition, instrument_lengths, losses_in_use
from service.records.erase import erase_instrument
from service.records.shelf import (
    CONDITIONS,
    KINDS,
    REMARKS,
    OnCounter,
    against,
    lend,
    loans,
    on_shelf,
    one_on_shelf,
    players,
    take_back,
)
from service.records.shop_tables import Loan
from service.records.tables import Instrument
from service.settings import PROGRAM_VERSION
from service.words.i18n import SOURCE_LANGUAGE, translator
from service.words.writing import day_of

router = APIRouter(prefix="/api/v1", responses=RESPONSES, tags=["shelf"])
once = APIRouter(prefix="/api/v1", responses=RESPONSES, tags=["shelf"], route_class=OnceRoute, dependencies=[ONCE])

NOTHING_THERE = "There is no such instrument on this shelf."
READ, WRITE = needs_member(Scope.SHELF_READ), needs_member(Scope.SHELF_WRITE)


def loan_out(loan: Loan | None) -> dict[str, Any] | None:
    """A loan for an answer."""
    if loan is None:
        return None
    return {name: getattr(loan, name) for name in LoanOut.model_fields}


def shelf_out(own: Instrument, loan: Loan | None, in_use: bool) -> dict[str, Any]:
    """An instrument for an answer."""
    notes = own.notes or {}
    return {
        "id": own.id,
        "name": own.name,
        "label": own.label,
        **{each: (own.lengths or {}).get(each) for each in KINDS},
        **{each: notes.get(each) for each in CONDITIONS},
        "remarks": notes.get(REMARKS) or "",
        "measured_on": own.measured_on,
        "measured_by": own.measured_by,
        "loan": loan_out(loan),
        "in_use": in_use,
    }


def _one(records: Records, instrument_id: str) -> Instrument:
    found = one_on_shelf(records, instrument_id)
    if found is None:
        raise HTTPException(404, NOTHING_THERE)
    return found


def _shown(records: Records, own: Instrument) -> dict[str, Any]:
    return shelf_out(own, loans(records, [own]).get(own.id), own.id in players(records))


def _fill(own: Instrument, said: ShelfIn) -> None:
    said.lengths()  # refuses lengths that do not go together
    own.lengths = {each: length_json(getattr(said, each)) for each in KINDS}
    own.name, own.label, own.measured_by = said.name, said.label or None, "typed"
    own.notes = {each: getattr(said, each) for each in CONDITIONS} | {REMARKS: said.remarks}
    own.program_version = PROGRAM_VERSION


@router.get("/shelf", response_model=ShelfPage, summary="The shelf", dependencies=[READ])
def shelf(records: Records, limit: Limit = 100, cursor: Cursor = None) -> dict[str, Any]:
    """Instruments by name, a page at a time."""
    after = read_cursor(cursor, 2)
    found = on_shelf(records, None if after is None else (after[0], after[1]), limit + 1)
    shown, out, played = found[:limit], loans(records, found), players(records)
    last = cursor_of(shown[-1].name, shown[-1].id) if len(found) > limit else None
    return {"items": [shelf_out(each, out.get(each.id), each.id in played) for each in shown], "next_cursor": last}


@router.get(
    "/shelf.csv",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}, "description": "A table for a spreadsheet."}},
    summary="The shelf as a table",
    dependencies=[READ],
)
def shelf_table(records: Records) -> Response:
    """All instruments with their lengths, as `POST /api/v1/shelf.csv` takes them back."""
    return Response(
        stock.written(records).encode(),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="shelf.csv"'},
    )


@once.post(
    "/shelf.csv",
    response_model=TableOut,
    responses={422: {"model": ProblemDetails, "description": "Every bad row, with its column; nothing was changed."}},
    summary="Take a table over",
    dependencies=[WRITE],
)
def take_table(
    request: Request,
    records: Records,
    clock: TheClock,
    table: Annotated[
        bytes,
        Body(media_type="text/csv", description="UTF-8; columns as handed out; what is not in it stays on the shelf."),
    ] = b"",
    dry_run: Annotated[bool, Query(description="Only say what would change.")] = False,
    language: Annotated[Language, Query(description="Language of the faults.")] = SOURCE_LANGUAGE,
) -> Any:
    """Add and change many instruments at once: all rows, or none where one of them is at fault."""
    wanted = stock.plan(records, stock.decoded(table))
    if wanted.faults:
        return _faulty(wanted, language)
    who = caller_of(request)
    if not dry_run:
        stock.apply(records, who.studio_id, wanted, day_of(clock.now()), PROGRAM_VERSION)
    return {
        "applied": not dry_run,
        "added": wanted.count(stock.Kind.ADDED),
        "changed": wanted.count(stock.Kind.CHANGED),
        "unchanged": wanted.count(stock.Kind.UNCHANGED),
        "changes": [
            {
                "row": each.row,
                "kind": each.kind,
                "name": each.name,
                "id": each.instrument_id,
                "cells": [{"column": c.column, "before": c.before, "after": c.after} for c in each.cells],
            }
            for each in wanted.changes
            if each.kind is not stock.Kind.UNCHANGED
        ],
    }


def _faulty(wanted: stock.Plan, language: str) -> Response:
    translate = translator(language)
    faults = [
        {"row": each.row, "column": each.column, "message": each.sentence.text(translate, language)}
        for each in wanted.faults
    ]
    first = wanted.faults[0]
    where = f"{translate('Row')} {first.row}" + (f", {first.column}" if first.column else "")
    said = f"{translate('Nothing was changed')}. {where}: {faults[0]['message']}"
    return problem_response(422, said, errors=faults)


@once.post(
    "/shelf", response_model=ShelfOut, status_code=201, summary="Put an instrument on the shelf", dependencies=[WRITE]
)
def put_on_shelf(
    request: Request, response: Response, said: ShelfIn, records: Records, clock: TheClock
) -> dict[str, Any]:
    """Put an instrument with its measured lengths on the shelf."""
    who = caller_of(request)
    own = Instrument(studio_id=who.studio_id, measured_on=day_of(clock.now()), automatic=None)
    _fill(own, said)
    records.add(own)
    records.flush()
    response.headers["Location"] = f"/api/v1/shelf/{own.id}"
    return shelf_out(own, None, False)


@router.get(
    "/shelf/{instrument_id}",
    response_model=ShelfOut,
    responses=NOT_THERE,
    summary="An instrument of the shelf",
    dependencies=[READ],
)
def on_shelf_is(instrument_id: Identity, records: Records) -> dict[str, Any]:
    """One instrument with its lengths and where it is."""
    return _shown(records, _one(records, instrument_id))


@router.put(
    "/shelf/{instrument_id}",
    response_model=ShelfOut,
    responses=NOT_THERE,
    summary="Change an instrument",
    dependencies=[WRITE],
)
def change_on_shelf(instrument_id: Identity, said: ShelfIn, records: Records, clock: TheClock) -> dict[str, Any]:
    """Write an instrument anew; what is not said is empty."""
    own = _one(records, instrument_id)
    _fill(own, said)
    own.measured_on = day_of(clock.now())
    records.flush()
    return _shown(records, own)


@router.delete(
    "/shelf/{instrument_id}",
    status_code=204,
    response_class=Response,
    responses=NOT_THERE,
    summary="Take an instrument off the shelf",
    dependencies=[WRITE],
)
def take_off_shelf(request: Request, instrument_id: Identity) -> Response:
    """Delete an instrument with all that was noted about it; a second time there is none such."""
    who = caller_of(request)
    state = request.app.state
    with state.store.for_studio(who.studio_id) as records:
        _one(records, instrument_id)
    erase_instrument(state.store, state.photos, who.studio_id, instrument_id)
    return Response(status_code=204)


@once.post(
    "/shelf/{instrument_id}/loans",
    response_model=LoanOut,
    status_code=201,
    responses=NOT_THERE,
    summary="Lend an instrument out",
    dependencies=[WRITE],
)
def lend_out(instrument_id: Identity, said: LoanIn, records: Records, clock: TheClock) -> dict[str, Any] | None:
    """Note who has an instrument; until its return it does not count as on the shelf."""
    own = _one(records, instrument_id)
    return loan_out(lend(records, own, said.borrower, day_of(clock.now()), said.due_on))


@once.post(
    "/shelf/{instrument_id}/returns",
    response_model=LoanOut,
    status_code=201,
    responses=NOT_THERE,
    summary="Take an instrument back",
    dependencies=[WRITE],
)
def returned(instrument_id: Identity, records: Records, clock: TheClock) -> dict[str, Any] | None:
    """Note that a lent instrument came back."""
    return loan_out(take_back(records, _one(records, instrument_id), day_of(clock.now())))


@router.post("/shelf-fits", response_model=CounterOut, summary="Which on my shelf suit this arm?", dependencies=[READ])
def shelf_fits(question: ArmOnShelf, records: Records) -> dict[str, Any]:
    """Hold an arm against every instrument of the shelf, by the studio's own chart and losses."""
    found = against(records, question.arm_length, lent=question.lent, first=question.first)
    played = players(records)
    return {"instruments": [_on_counter(each, each.instrument.id in played, question.language) for each in found]}


@router.post(
    "/shelf/{instrument_id}/fits",
    response_model=VerdictOut,
    responses=NOT_THERE,
    summary="Does this one suit this arm?",
    dependencies=[READ],
)
def one_fits(instrument_id: Identity, question: ArmOnOne, records: Records) -> dict[str, Any]:
    """Judge one instrument of the shelf for an arm, by the studio's own chart and losses."""
    own = _one(records, instrument_id)
    verdict = judge(
        question.arm_length,
        instrument_lengths(own),
        chart_in_use(records),
        question.signs(),
        condition(own),
        losses=losses_in_use(records),
    )
    return verdict_json(verdict, translator(question.language), question.language)


def _on_counter(found: OnCounter, in_use: bool, language: str) -> dict[str, Any]:
    assert found.verdict is not None
    said = verdict_json(found.verdict, translator(language), language)
    return {
        "heap": found.heap,
        "instrument": shelf_out(found.instrument, found.loan, in_use),
        "nearest_size": found.ranked.size,
        **{each: said[each] for each in ("decision", "action", "probabilities", "cost_days", "headline", "to_do")},
        "reasons": said["reasons"],
    }


ROUTERS = (router, once)
