"""The orders that a shop's programs keep open: which arm waits, what suits it, and the button that deletes one."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from calibration.quantity import Length
from service.fit.order import Allowance
from service.fit.sentences import Sentence
from service.records.deeds import UNDO_DAYS
from service.records.orders import arm_of
from service.records.shelf import as_typed, on_shelf
from service.records.shop_tables import LONGEST_REFERENCE, OpenOrder
from service.records.tables import ApiKey, Instrument
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here
from service.web.pages import page
from service.web.teacher.deeds import did, go_done

router = APIRouter(prefix="/counter/orders")
MOST = 200
"""Orders shown at once, the latest; our choice: others are found by their reference."""


@dataclass(frozen=True)
class Listed:
    """An order as the page shows it.

    Attributes
    ----------
    order : OpenOrder
    arm : Length
    path : str
        The counter's page about that arm.
    growth : Sentence or None
        Growth that is allowed for.
    suiting : tuple of Instrument
        What of the shelf suited it when it was last checked, the best first; what is gone since left out.
    key : ApiKey or None
        The key that it was kept with, revoked or not.
    """

    order: OpenOrder
    arm: Length
    path: str
    growth: Sentence | None
    suiting: tuple[Instrument, ...]
    key: ApiKey | None


@router.get("")
def orders(request: Request, who: Visitor, records: Records, q: str = "") -> HTMLResponse:
    """List the orders, open ones first, the latest on top; of a search, those whose reference holds it."""
    words = q.strip()[:LONGEST_REFERENCE]
    found = select(OpenOrder).where(OpenOrder.reference.contains(words, autoescape=True))
    many = records.scalar(select(func.count()).select_from(found.subquery())) or 0
    latest = found.order_by(OpenOrder.closed_at.is_not(None), OpenOrder.created_at.desc()).limit(MOST)
    return page(
        request,
        "counter/orders.html",
        q=words,
        longest=LONGEST_REFERENCE,
        orders=_listed(records, list(records.scalars(latest))),
        more=many - MOST,
        any_kept=bool(many) or any_orders(records),
        undo_days=UNDO_DAYS,
    )


def any_orders(records: Session) -> bool:
    """Whether programs keep orders, open or closed."""
    return records.scalars(select(OpenOrder.id).limit(1)).first() is not None


def _listed(records: Session, orders: list[OpenOrder]) -> list[Listed]:
    shelf = {each.id: each for each in on_shelf(records)}
    keys = {each.id: each for each in records.scalars(select(ApiKey))}
    listed = []
    for order in orders:
        listed.append(
            Listed(
                order,
                arm_of(order),
                f"/counter/arms/{quote(as_typed({'arm': order.arm}, 'arm'))}",
                Allowance(order.growth_mm).sentence() if order.growth_mm else None,
                tuple(shelf[each] for each in order.suiting if each in shelf),
                keys.get(order.key_id or ""),
            )
        )
    return listed


@router.post("/{order_id}/delete")
def delete_order(order_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Delete an order with its arm, whatever key it was kept with."""
    order = records.get(OpenOrder, order_id)
    if order is None:
        raise nothing_here()
    with did(records, who, parts, "order-deleted") as deed:
        records.delete(order)
    return go_done("/counter/orders", deed)
