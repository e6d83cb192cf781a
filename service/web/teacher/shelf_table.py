"""The shelf as a table: out, looked at, and taken over once its changes were seen."""

from __future__ import annotations

from hashlib import sha256

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile

from service.fit.errors import FitError
from service.fit.sentences import say
from service.records import stock
from service.settings import PROGRAM_VERSION
from service.web.gate.guard import Fields, Records, SignedIn, TheHouse, Visitor
from service.web.house import House
from service.web.pages import page
from service.web.teacher.deeds import did, go_done
from service.words.writing import day_of

router = APIRouter(prefix="/counter")

NO_TABLE = say("Please choose a table.")
CHANGED_MEANWHILE = say("The shelf has changed since you looked; please look once more.")
MOST_TABLE_BYTES = 2 * 2**20
"""Largest table; five thousand instruments have half of it."""


@router.get("/shelf.csv")
def table_file(who: Visitor, records: Records) -> Response:
    """The shelf as a table."""
    headers = {"Content-Disposition": 'attachment; filename="shelf.csv"'}
    return Response(stock.written(records).encode("utf-8-sig"), media_type="text/csv; charset=utf-8", headers=headers)


@router.get("/table")
def table_page(request: Request, who: Visitor) -> HTMLResponse:
    """Ask for a table."""
    return page(request, "counter/table.html", fault=None, plan=None, columns=stock.COLUMNS)


@router.post("/table")
async def table_sent(request: Request, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Show what a table would change; or change it, where that was seen."""
    try:
        text = await _table(form)
    except FitError as error:
        return page(request, "counter/table.html", 422, fault=error.sentence, plan=None, columns=stock.COLUMNS)
    return await run_in_threadpool(_take_table, request, who, parts, text, str(form.get("seen", "")))


async def _table(form: FormData) -> str:
    """The table that was sent, as a file or once more with the page that showed what it changes.

    Raises
    ------
    FitError
        If there is none, or it is no text.
    """
    sent = form.get("table")
    if isinstance(sent, UploadFile):
        data = await sent.read(MOST_TABLE_BYTES + 1)
        if len(data) > MOST_TABLE_BYTES:
            raise FitError(say("A table may have at most {most} rows.", most=stock.MOST_ROWS))
        sent = stock.decoded(data)
    if not sent or not sent.strip():
        raise FitError(NO_TABLE)
    return sent


def _take_table(request: Request, who: SignedIn, parts: House, text: str, seen: str) -> Response:
    with parts.store.for_studio(who.studio_id) as records:
        plan = stock.plan(records, text)
        mark = sha256(repr([(each.instrument_id, each.cells) for each in plan.changes]).encode()).hexdigest()
        if seen == mark and not plan.faults:
            with did(records, who, parts, "shelf-from-table") as deed:
                stock.apply(records, who.studio_id, plan, day_of(parts.clock.now()), PROGRAM_VERSION)
            return go_done("/instruments", deed)
        shown = [each for each in plan.changes if each.kind is not stock.Kind.UNCHANGED]
        return page(
            request,
            "counter/table.html",
            422 if plan.faults else 200,
            fault=CHANGED_MEANWHILE if seen and not plan.faults else None,
            plan=plan,
            changes=shown,
            counts={kind.value: plan.count(kind) for kind in stock.Kind},
            text=text,
            preview=mark,
            columns=stock.COLUMNS,
        )
