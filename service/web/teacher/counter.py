"""The shop's counter: an arm against the shelf, loans and returns, labels, and the shelf as a table."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import Any
from urllib.parse import quote, urlsplit

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile

from calibration.quantity import Length
from service.fit.choosing import UNSETTLED
from service.fit.counter import Heap
from service.fit.decision import PLAYED, Action
from service.fit.errors import FitError
from service.fit.lengths import parse_length
from service.fit.order import UNSETTLED_FIRST, order
from service.fit.order_drawing import drawing_svg
from service.fit.sentences import Translate, say
from service.fit.verdict_json import verdict_json
from service.questions.asked import LONGEST_TYPED
from service.records import stock
from service.records.deciding import arm_length, chart_in_use, instrument_lengths, latest_arm, losses_in_use
from service.records.shelf import KINDS, OnCounter, against, lend, loans, on_shelf, one_on_shelf, take_back
from service.records.tables import ArmRecord, Child, Instrument, PhotoRequest, Studio, VerdictRecord
from service.report.labels import Label, labels_pdf
from service.report.pdf import PAPERS
from service.settings import PROGRAM_VERSION
from service.web.forms.models import ArmAtCounter, LoanForm, ReturnForm
from service.web.gate.guard import FAMILY, REPORT, Fields, Records, SignedIn, TheHouse, Visitor, nothing_here
from service.web.house import House, base_url
from service.web.language import marked, page_language, translator
from service.web.pages import go_to, page
from service.web.teacher.child_view import child_view
from service.web.teacher.deeds import did, go_done, own_path
from service.web.teacher.instruments import by_name, nearest
from service.words.lengths import LENGTHS
from service.words.writing import written_day, written_mm, written_number

router = APIRouter(prefix="/counter")

SHOWN = {Heap.SUITS: 12, Heap.STRETCH: 8, Heap.OPEN: 8, Heap.SMALL: 8, Heap.TOO_LARGE: 4, Heap.TOO_SMALL: 4}
"""Instruments of each heap that are shown with their reasons; the others are counted.  Our choice."""
MAY_SUIT = (*PLAYED, Action.ASK_SIGNS, Action.MEASURE)
"""Actions after which nobody can say that an instrument does not suit."""
HEAPS = {
    Heap.SUITS: marked("Suits"),
    Heap.STRETCH: marked("A stretch"),
    Heap.OPEN: marked("Settle something first"),
    Heap.SMALL: marked("Playable, on the small side"),
    Heap.TOO_LARGE: marked("Too large"),
    Heap.TOO_SMALL: marked("Too small"),
}
NO_ARM = say("Type how long the arm is, choose a child, or paste a family's link.")
NO_LINK = say("This link is not one of this studio's.")
NO_BORROWER = say("Please say who borrows it.")
NO_TABLE = say("Please choose a table.")
NOT_UTF8 = say("The table is not in UTF-8; save it as “CSV UTF-8”.")
CHANGED_MEANWHILE = say("The shelf has changed since you looked; please look once more.")
MOST_TABLE_BYTES = 2 * 2**20
"""Largest table; five thousand instruments have half of it."""


@dataclass(frozen=True)
class AtCounter:
    """Whose arm is held against the shelf."""

    length: Length
    path: str
    child: Child | None = None
    record: ArmRecord | None = None


@router.get("")
def counter(request: Request, who: Visitor, records: Records, parts: TheHouse) -> HTMLResponse:
    """Ask for an arm, and show what is lent out."""
    return _begin(request, records, parts)


@router.post("")
def arm_named(request: Request, who: Visitor, records: Records, parts: TheHouse, form: Fields) -> Response:
    """Take an arm: typed, from a child's records, or from the link that its family has."""
    asked = ArmAtCounter.read(form)
    try:
        return go_to(_path(records, parts, asked))
    except FitError as error:
        return _begin(request, records, parts, error, asked)


def _path(records: Session, parts: House, asked: ArmAtCounter) -> str:
    """Address of the page about an arm.

    Raises
    ------
    FitError
        If none was named, or it is none.
    """
    if asked.arm:
        parse_length(asked.arm, "arm")
        return f"/counter/arms/{quote(asked.arm.replace('/', '⁄'), safe='')}"
    child = records.get(Child, asked.child_id) if asked.child_id else None
    if child is None and asked.link:
        child = _of_link(records, parts, asked.link)
        if child is None:
            raise FitError(NO_LINK)
    if child is None:
        raise FitError(NO_ARM)
    if latest_arm(records, child.id) is None:
        raise FitError(say("No arm of {child} is measured yet.", child=child.nickname))
    return f"/counter/children/{child.id}"


def _of_link(records: Session, parts: House, link: str) -> Child | None:
    """The child of a family's or a report's link; None where it is none of this studio's."""
    try:
        _, _, rest = urlsplit(link.strip()).path.rpartition("/f/")
        kind, token = (FAMILY, rest) if "/f/" in link else (REPORT, link.rpartition("/r/")[2])
    except ValueError:
        return None
    identity = parts.signer.read(kind, token.partition("/")[0].partition("?")[0])
    if not identity:
        return None
    about = records.get(PhotoRequest, identity) if kind == FAMILY else records.get(VerdictRecord, identity)
    return None if about is None else records.get(Child, about.child_id)


def _begin(
    request: Request,
    records: Session,
    parts: House,
    fault: FitError | None = None,
    asked: ArmAtCounter | None = None,
) -> HTMLResponse:
    kept = on_shelf(records)
    out = loans(records, kept)
    lent = sorted(
        (each for each in kept if each.id in out), key=lambda own: (out[own.id].due_on is None, out[own.id].due_on)
    )
    return page(
        request,
        "counter/counter.html",
        200 if fault is None else 422,
        fault=fault and fault.sentence,
        asked=asked or ArmAtCounter(),
        children=with_arms(records),
        lent=[(each, out[each.id]) for each in lent],
        there=len(kept) - len(lent),
        today=parts.clock.now().date(),
    )


def with_arms(records: Session) -> list[Child]:
    """Children whose arm is measured, by name."""
    measured = select(ArmRecord.child_id).distinct()
    return list(records.scalars(select(Child).where(Child.id.in_(measured)).order_by(Child.nickname)))


def _typed(arm: str) -> AtCounter:
    if len(arm) > LONGEST_TYPED:
        raise nothing_here()
    try:
        return AtCounter(parse_length(arm.replace("⁄", "/"), "arm"), f"/counter/arms/{quote(arm, safe='')}")
    except FitError:
        raise nothing_here() from None


def _childs(records: Session, child_id: str) -> AtCounter:
    child = records.get(Child, child_id)
    record = latest_arm(records, child_id) if child is not None else None
    if child is None or record is None:
        raise nothing_here()
    return AtCounter(arm_length(record), f"/counter/children/{child.id}", child, record)


@router.get("/arms/{arm}")
def typed_arm(request: Request, who: Visitor, arm: str, records: Records) -> HTMLResponse:
    """The shelf against an arm that was typed."""
    return _against(request, records, _typed(arm))


@router.get("/children/{child_id}")
def childs_arm(request: Request, child_id: str, records: Records) -> HTMLResponse:
    """The shelf against the arm of a child, as last measured."""
    return _against(request, records, _childs(records, child_id))


def _against(request: Request, records: Session, at: AtCounter, fault: FitError | None = None) -> HTMLResponse:
    language = page_language(request)
    found = against(records, at.length, child=at.child, whole=max(SHOWN.values()))
    heaps = [(heap, [each for each in found if each.heap is heap]) for heap in SHOWN]
    return page(
        request,
        "counter/arm.html",
        200 if fault is None else 422,
        at=at,
        fault=fault and fault.sentence,
        heaps=[
            (heap.value, HEAPS[heap], [_shown(each, language) for each in laid[: SHOWN[heap]]], len(laid))
            for heap, laid in heaps
            if laid
        ],
        may_suit=any(each.ranked.action in MAY_SUIT for each in found),
        unsettled=UNSETTLED_FIRST if any(each.ranked.action in UNSETTLED for each in found) else None,
        any_there=bool(found),
    )


def _shown(found: OnCounter, language: str) -> dict[str, Any]:
    assert found.verdict is not None
    return {
        "own": found.instrument,
        "size": found.ranked.size,
        "verdict": verdict_json(found.verdict, translator(language), language),
    }


@router.get("/arms/{arm}/slip")
def typed_slip(request: Request, who: Visitor, arm: str, records: Records, parts: TheHouse) -> HTMLResponse:
    """A slip to order by, for an arm that was typed."""
    language = page_language(request)
    at = _typed(arm)
    wanted = order(at.length, chart_in_use(records), losses=losses_in_use(records)).as_json(
        translator(language), language
    )
    return _slip(request, who, records, parts, at, wanted)


@router.get("/children/{child_id}/slip")
def childs_slip(request: Request, who: Visitor, child_id: str, records: Records, parts: TheHouse) -> HTMLResponse:
    """A slip to order by, for a child: what the child's page says, without its name."""
    language = page_language(request)
    at = _childs(records, child_id)
    assert at.child is not None
    view = child_view(records, at.child, parts.clock.now(), translator(language), language)
    return _slip(request, who, records, parts, at, view["to_order"])


def _slip(
    request: Request, who: Visitor, records: Session, parts: House, at: AtCounter, wanted: dict[str, Any]
) -> HTMLResponse:
    language = page_language(request)
    return page(
        request,
        "counter/slip.html",
        at=at,
        wanted=wanted,
        drawing=drawing_svg(translator(language), language),
        studio=records.get_one(Studio, who.studio_id).name,
        today=parts.clock.now().date(),
    )


@router.post("/lend")
def lend_out(request: Request, who: Visitor, records: Records, parts: TheHouse, form: Fields) -> Response:
    """Note that an instrument goes to somebody."""
    said = LoanForm.read(form)
    own = one_on_shelf(records, said.instrument_id)
    if own is None:
        raise nothing_here()
    try:
        if not said.borrower:
            raise FitError(NO_BORROWER)
        with did(records, who, parts, "instrument-lent") as deed:
            lend(records, own, said.borrower, parts.clock.now().date(), said.due_on)
    except FitError as error:
        return _begin(request, records, parts, error)
    return go_done(own_path(said.back, "/counter#lent"), deed)


@router.post("/return")
def returned(who: Visitor, records: Records, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Note that an instrument came back; twice is once."""
    own = one_on_shelf(records, ReturnForm.read(form).instrument_id)
    if own is None:
        raise nothing_here()
    if own.id not in loans(records, [own]):
        return go_to("/counter#lent")
    with did(records, who, parts, "instrument-returned") as deed:
        take_back(records, own, parts.clock.now().date())
    return go_done("/counter#lent", deed)


@router.get("/labels")
def labels_page(request: Request, who: Visitor, records: Records) -> HTMLResponse:
    """Choose the instruments for which labels are printed."""
    return page(request, "counter/labels.html", shelf=sorted(on_shelf(records), key=by_name))


@router.get("/labels.pdf")
def labels_file(request: Request, who: Visitor, records: Records, parts: TheHouse, paper: str = "a4") -> Response:
    """Labels as PDF: of the instruments that were chosen, or of all."""
    if paper not in PAPERS:
        raise nothing_here()
    chosen = set(request.query_params.getlist("own"))
    shelf = [each for each in sorted(on_shelf(records), key=by_name) if not chosen or each.id in chosen]
    if not shelf:
        raise nothing_here()
    language = page_language(request)
    studio = records.get_one(Studio, who.studio_id).name
    base = base_url(request, parts.settings)
    labels = [_label(records, each, studio, base, translator(language), language) for each in shelf]
    content = labels_pdf(labels, translator(language)(marked("Labels")), language, paper)
    headers = {"Content-Disposition": 'inline; filename="labels.pdf"'}
    return Response(content, media_type="application/pdf", headers=headers)


def _label(records: Session, own: Instrument, studio: str, base: str, translate: Translate, language: str) -> Label:
    size = nearest(chart_in_use(records), instrument_lengths(own))
    if own.label:
        sizes = translate(marked("sold as %(label)s, measures like %(size)s")) % {"label": own.label, "size": size}
    else:
        sizes = translate(marked("measures like %(size)s")) % {"size": size}
    kept = [(name, own.lengths[name]) for name in KINDS if own.lengths.get(name)]
    measured = translate(marked("Measured on %(day)s.")) % {"day": written_day(own.measured_on, language)}
    return Label(
        own.name,
        sizes,
        tuple((LENGTHS[name].name.text(translate, language), _with_doubt(each, language)) for name, each in kept),
        measured,
        studio,
        f"{base}/instruments/{own.id}",
    )


def _with_doubt(length: dict[str, Any], language: str) -> str:
    half = (length["high_mm"] - length["low_mm"]) / 2
    return f"{written_number(length['value_mm'], language, 1)} ± {written_mm(half, language, 1)}"


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
        try:
            sent = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise FitError(NOT_UTF8) from None
    if not sent or not sent.strip():
        raise FitError(NO_TABLE)
    return sent


def _take_table(request: Request, who: SignedIn, parts: House, text: str, seen: str) -> Response:
    with parts.store.for_studio(who.studio_id) as records:
        plan = stock.plan(records, text)
        mark = sha256(repr([(each.instrument_id, each.cells) for each in plan.changes]).encode()).hexdigest()
        if seen == mark and not plan.faults:
            with did(records, who, parts, "shelf-from-table") as deed:
                stock.apply(records, who.studio_id, plan, parts.clock.now().date(), PROGRAM_VERSION)
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
