"""The shop's counter: an arm against the shelf, a slip to order by, loans and returns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlsplit

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from calibration.quantity import Length
from service.fit.choosing import MAY_BE_PLAYED, UNSETTLED
from service.fit.counter import Heap
from service.fit.decision import Action
from service.fit.errors import FitError
from service.fit.lengths import parse_length
from service.fit.order import UNSETTLED_FIRST, order
from service.fit.order_drawing import drawing_svg
from service.fit.sentences import say
from service.fit.verdict_json import verdict_json
from service.questions.asked import LONGEST_TYPED
from service.records.deciding import arm_length, chart_in_use, is_old, latest_arm, losses_in_use, order_for
from service.records.shelf import OnCounter, against, lend, loans, on_shelf, one_on_shelf, players, take_back
from service.records.tables import ArmRecord, Child, PhotoRequest, Studio, VerdictRecord
from service.web.forms.models import ArmAtCounter, LoanForm, ReturnForm
from service.web.gate.guard import FAMILY, REPORT, Fields, Records, TheHouse, Visitor, nothing_here
from service.web.house import House
from service.web.language import marked, page_language, translator
from service.web.pages import go_to, page
from service.web.teacher.child_view import order_view
from service.web.teacher.deeds import did, go_done, own_path
from service.web.teacher.orders import any_orders
from service.words.names import in_order
from service.words.writing import day_of

router = APIRouter(prefix="/counter")

SHOWN = {Heap.SUITS: 12, Heap.STRETCH: 8, Heap.OPEN: 8, Heap.SMALL: 8, Heap.TOO_LARGE: 4, Heap.TOO_SMALL: 4}
"""Instruments of each heap that are shown with their reasons; the others are counted.  Our choice."""
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


@dataclass(frozen=True)
class AtCounter:
    """Whose arm is held against the shelf, and whether it was measured too long ago."""

    length: Length
    path: str
    child: Child | None = None
    record: ArmRecord | None = None
    old: bool = False


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
        raise FitError(say("No arm of {child} has been accepted yet.", child=child.nickname))
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
    out, played = loans(records, kept), players(records)
    in_use = [each for each in kept if each.id in played and each.id not in out]
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
        in_use=in_use,
        players=played,
        there=len(kept) - len(lent) - len(in_use),
        open_orders=any_orders(records),
        today=day_of(parts.clock.now()),
    )


def with_arms(records: Session) -> list[Child]:
    """Children whose arm is measured, by name."""
    measured = select(ArmRecord.child_id).distinct()
    found = records.scalars(select(Child).where(Child.id.in_(measured)))
    return sorted(found, key=lambda child: in_order(child.nickname))


def _typed(arm: str) -> AtCounter:
    if len(arm) > LONGEST_TYPED:
        raise nothing_here()
    try:
        return AtCounter(parse_length(arm.replace("⁄", "/"), "arm"), f"/counter/arms/{quote(arm, safe='')}")
    except FitError:
        raise nothing_here() from None


def _measured_child(records: Session, child_id: str) -> tuple[Child, ArmRecord]:
    child = records.get(Child, child_id)
    record = latest_arm(records, child_id) if child is not None else None
    if child is None or record is None:
        raise nothing_here()
    return child, record


def _childs(child: Child, record: ArmRecord, parts: House) -> AtCounter:
    old = is_old(record, day_of(parts.clock.now()))
    return AtCounter(arm_length(record), f"/counter/children/{child.id}", child, record, old)


@router.get("/arms/{arm}")
def typed_arm(request: Request, who: Visitor, arm: str, records: Records) -> HTMLResponse:
    """The shelf against an arm that was typed."""
    return _against(request, records, _typed(arm))


@router.get("/children/{child_id}")
def childs_arm(request: Request, child_id: str, records: Records, parts: TheHouse) -> HTMLResponse:
    """The shelf against the arm of a child, as last measured."""
    return _against(request, records, _childs(*_measured_child(records, child_id), parts))


def _against(request: Request, records: Session, at: AtCounter) -> HTMLResponse:
    language = page_language(request)
    found = against(records, at.length, child=at.child, whole=max(SHOWN.values()))
    heaps = [(heap, [each for each in found if each.heap is heap]) for heap in _in_order(found)]
    return page(
        request,
        "counter/arm.html",
        at=at,
        heaps=[
            (heap.value, HEAPS[heap], [_shown(each, language) for each in laid[: SHOWN[heap]]], len(laid))
            for heap, laid in heaps
        ],
        may_suit=any(each.ranked.action in MAY_BE_PLAYED | {Action.REPAIR} for each in found),
        unsettled=UNSETTLED_FIRST if any(each.ranked.action in UNSETTLED for each in found) else None,
        any_there=bool(found),
    )


def _in_order(found: Sequence[OnCounter]) -> list[Heap]:
    """The heaps that there are: those of which something may be lent in the order of the best on each, as it ranks."""
    laid = list(dict.fromkeys(each.heap for each in found))
    to_leave = [heap for heap in SHOWN if heap in laid and heap in (Heap.TOO_LARGE, Heap.TOO_SMALL)]
    return [*(heap for heap in laid if heap not in to_leave), *to_leave]


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
    child, record = _measured_child(records, child_id)
    wanted = order_view(lambda: order_for(records, child, record), translator(language), language)
    return _slip(request, who, records, parts, _childs(child, record, parts), wanted)


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
        today=day_of(parts.clock.now()),
    )


@router.post("/lend")
def lend_out(request: Request, who: Visitor, records: Records, parts: TheHouse, form: Fields) -> Response:
    """Note that an instrument goes to somebody."""
    said = LoanForm.read(form)
    own_id, borrower = _pair(records, said.pair) if said.pair else (said.instrument_id, said.borrower)
    own = one_on_shelf(records, own_id)
    if own is None:
        raise nothing_here()
    try:
        if not borrower:
            raise FitError(NO_BORROWER)
        with did(records, who, parts, "instrument-lent") as deed:
            lend(records, own, borrower, day_of(parts.clock.now()), said.due_on)
    except FitError as error:
        return _begin(request, records, parts, error)
    return go_done(own_path(said.back, "/counter#lent"), deed)


def _pair(records: Session, pair: str) -> tuple[str, str]:
    """The identity of an instrument and the nickname of the child that is to have it."""
    own_id, _, child_id = pair.partition(" ")
    child = records.get(Child, child_id)
    if child is None:
        raise nothing_here()
    return own_id, child.nickname


@router.post("/return")
def returned(who: Visitor, records: Records, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Note that an instrument came back; twice is once."""
    own = one_on_shelf(records, ReturnForm.read(form).instrument_id)
    if own is None:
        raise nothing_here()
    if own.id not in loans(records, [own]):
        return go_to("/counter#lent")
    with did(records, who, parts, "instrument-returned") as deed:
        take_back(records, own, day_of(parts.clock.now()))
    return go_done("/counter#lent", deed)
