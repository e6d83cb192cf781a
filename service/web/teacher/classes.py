"""A class and the shelf: who gets which instrument, and what remains to be ordered."""

from __future__ import annotations

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from service.fit.errors import FitError
from service.fit.explanation import ACTIONS
from service.fit.order import Order
from service.records.deciding import is_old, latest_arm
from service.records.shelf import give_out, loans, on_shelf, players
from service.web.gate.guard import Records, TheHouse, Visitor
from service.web.language import page_language, translator
from service.web.pages import page
from service.web.teacher.counter import with_arms
from service.words.names import by_name
from service.words.writing import day_of

router = APIRouter(prefix="/class")
MOST_TICKS = 100
"""Children, and instruments, that can be ticked at once; our choice: the address, in which each chosen one stands, then
keeps within the 8 KiB that common proxies let through."""


@router.get("")
def class_page(request: Request, who: Visitor, records: Records, parts: TheHouse, show: str = "") -> HTMLResponse:
    """Choose children and instruments; once that is done, see who gets which.

    Where no instrument is chosen, all are given out that nobody outside of the class has.
    """
    children, kept = with_arms(records), by_name(on_shelf(records))
    out = loans(records, kept)
    shelf = sorted(kept, key=lambda own: own.id in out)
    ticked = {name: set(request.query_params.getlist(name)) for name in ("child", "own")}
    class_ = [child for child in children[:MOST_TICKS] if child.id in ticked["child"]] or children[:MOST_TICKS]
    played, names = players(records), {child.nickname for child in class_}
    away = {each for each, loan in out.items() if loan.borrower not in names}
    away |= {each for each, who_plays in played.items() if not names.issuperset(who_plays)}
    here = [own for own in shelf[:MOST_TICKS] if own.id not in away]
    instruments = [own for own in shelf[:MOST_TICKS] if own.id in ticked["own"]] or here
    given, fault, old = None, None, []
    if show:
        arms = [(child, arm) for child in class_ if (arm := latest_arm(records, child.id)) is not None]
        old = [child.nickname for child, arm in arms if is_old(arm, day_of(parts.clock.now()))]
        try:
            given = give_out(records, arms, instruments)
        except FitError as error:
            fault = error.sentence
    language = page_language(request)
    back = [("show", "1"), *(("child", each.id) for each in class_), *(("own", each.id) for each in instruments)]
    return page(
        request,
        "teacher/class.html",
        422 if fault else 200,
        children=children[:MOST_TICKS],
        shelf=shelf[:MOST_TICKS],
        more_children=len(children) - MOST_TICKS,
        more_instruments=len(shelf) - MOST_TICKS,
        out=out,
        players=played,
        ticked=ticked,
        chosen={own.id for own in instruments},
        fault=fault,
        old=old,
        given=[each for each in given or () if each.wanted is None],
        to_order=[(each.child, _order_lines(each.wanted, language)) for each in given or () if each.wanted is not None],
        actions=ACTIONS,
        back=f"/class?{urlencode(back)}",
    )


def _order_lines(wanted: Order, language: str) -> list[str]:
    """What to order, and where it is not settled yet, that; the rest is on the slip."""
    lines: list[str] = wanted.as_json(translator(language), language)["message"]
    return lines[: 1 if wanted.decided or wanted.body is None else 2]
