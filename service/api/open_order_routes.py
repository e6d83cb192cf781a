"""A shop's open orders, and the check of all of them as a job."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, BackgroundTasks, HTTPException, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import func, select

from calibration.quantity import length_json
from service.api.callers import Scope, caller_of, needs_member
from service.api.measurement_routes import LengthOut
from service.api.once import ONCE, OnceRoute, Records, TheClock
from service.api.paging import Cursor, Identity, Limit, cursor_of, read_cursor
from service.api.problem_details import NOT_THERE, RESPONSES
from service.api.shelf_models import Line
from service.jobs.shop import start_check
from service.questions.asked import ArmLength
from service.records.columns import fresh_id
from service.records.orders import Shelf
from service.records.shop_tables import DONE, LONGEST_REFERENCE, WAITING, OpenOrder, ShopJob

ORDERS = needs_member(Scope.ORDERS)

router = APIRouter(prefix="/api/v1", responses=RESPONSES, tags=["orders"], dependencies=[ORDERS])
once = APIRouter(
    prefix="/api/v1", responses=RESPONSES, tags=["orders"], route_class=OnceRoute, dependencies=[ORDERS, ONCE]
)


class OpenOrderIn(BaseModel):
    """An order as the shop has it."""

    reference: Line = Field(min_length=1, max_length=LONGEST_REFERENCE, description="Your own number for it; no name.")
    arm_length: Annotated[ArmLength, Field(description="The arm: V±U in mm, U the expanded (95 %) uncertainty.")]
    growth_mm: float = Field(
        0.0, ge=0, le=100, allow_inf_nan=False, description="Growth after which it shall not be too small, mm."
    )

    model_config = ConfigDict(
        extra="forbid",
        arbitrary_types_allowed=True,
        json_schema_extra={"examples": [{"reference": "2031-118", "arm_length": "450±6", "growth_mm": 12}]},
    )


class OpenOrderOut(BaseModel):
    """An order, and what of the shelf suits it."""

    id: str
    reference: str
    arm_length: LengthOut
    growth_mm: float
    suiting: list[str] = Field(description="Instruments on the shelf that suit it, as last checked, the best first.")
    created_at: datetime
    checked_at: datetime | None
    closed_at: datetime | None
    same_reference: list[str] = Field(
        description="Other open orders with this reference: one for each instrument that is wanted, or a slip."
    )


class OpenOrderPage(BaseModel):
    """A page of orders."""

    items: list[OpenOrderOut]
    next_cursor: str | None


class JobOut(BaseModel):
    """Work that takes longer than an answer may."""

    id: str
    kind: Literal["check"]
    state: Literal["waiting", "running", "done"]
    total: int = Field(description="Orders that are to be checked.")
    done: int = Field(description="Of these, checked.")
    found: int = Field(description="Of these, such that something suits.")
    created_at: datetime
    finished_at: datetime | None


def _order_out(records: Records, order: OpenOrder) -> dict[str, Any]:
    (out,) = _orders_out(records, [order])
    return out


def _orders_out(records: Records, orders: Sequence[OpenOrder]) -> list[dict[str, Any]]:
    named = {each.reference for each in orders}
    open_ones: dict[str, list[str]] = {}
    for reference, order_id in records.execute(
        select(OpenOrder.reference, OpenOrder.id)
        .where(OpenOrder.reference.in_(named), OpenOrder.closed_at.is_(None))
        .order_by(OpenOrder.id)
    ):
        open_ones.setdefault(reference, []).append(order_id)
    as_kept = [name for name in OpenOrderOut.model_fields if name not in ("arm_length", "same_reference")]
    return [
        {name: getattr(order, name) for name in as_kept}
        | {
            "arm_length": order.arm,
            "same_reference": [each for each in open_ones.get(order.reference, ()) if each != order.id],
        }
        for order in orders
    ]


@once.post(
    "/open-orders",
    response_model=OpenOrderOut,
    status_code=201,
    summary="Keep an order open",
)
def open_order(
    request: Request, response: Response, said: OpenOrderIn, records: Records, clock: TheClock
) -> dict[str, Any]:
    """Keep an arm for which an instrument is promised, and say what of the shelf suits it already."""
    now = clock.now()
    order = OpenOrder(
        id=fresh_id(),
        studio_id=caller_of(request).studio_id,
        reference=said.reference,
        key_id=caller_of(request).key_id,
        arm=length_json(said.arm_length),
        growth_mm=said.growth_mm,
        suiting=[],
        created_at=now,
        checked_at=now,
        closed_at=None,
    )
    order.suiting = Shelf.of(records).suiting(said.arm_length, said.growth_mm)
    records.add(order)
    records.flush()
    response.headers["Location"] = f"/api/v1/open-orders/{order.id}"
    return _order_out(records, order)


@router.get("/open-orders", response_model=OpenOrderPage, summary="The orders")
def orders_kept(
    records: Records,
    limit: Limit = 100,
    cursor: Cursor = None,
    closed: Annotated[bool, Query(description="Those that are closed instead.")] = False,
    reference: Annotated[
        str | None, Query(max_length=LONGEST_REFERENCE, description="Those with this reference only.")
    ] = None,
) -> dict[str, Any]:
    """Orders that are open, a page at a time."""
    after = read_cursor(cursor, 1)
    wanted = select(OpenOrder).where(OpenOrder.closed_at.is_not(None) if closed else OpenOrder.closed_at.is_(None))
    if reference is not None:
        wanted = wanted.where(OpenOrder.reference == reference)
    if after is not None:
        wanted = wanted.where(OpenOrder.id > after[0])
    found = records.scalars(wanted.order_by(OpenOrder.id).limit(limit + 1)).all()
    last = cursor_of(found[limit - 1].id) if len(found) > limit else None
    return {"items": _orders_out(records, found[:limit]), "next_cursor": last}


def _order(records: Records, order_id: str) -> OpenOrder:
    found = records.get(OpenOrder, order_id)
    if found is None:
        raise HTTPException(404, "There is no such order.")
    return found


@router.get(
    "/open-orders/{order_id}",
    response_model=OpenOrderOut,
    responses=NOT_THERE,
    summary="One order",
)
def order_is(order_id: Identity, records: Records) -> dict[str, Any]:
    """One order, as last checked."""
    return _order_out(records, _order(records, order_id))


@once.post(
    "/open-orders/{order_id}/close",
    response_model=OpenOrderOut,
    responses=NOT_THERE,
    summary="Close an order",
)
def close_order(order_id: Identity, records: Records, clock: TheClock) -> dict[str, Any]:
    """Check an order no longer; closed twice is closed once."""
    order = _order(records, order_id)
    order.closed_at = order.closed_at or clock.now()
    return _order_out(records, order)


@router.delete(
    "/open-orders/{order_id}",
    status_code=204,
    response_class=Response,
    responses=NOT_THERE,
    summary="Delete an order",
)
def delete_order(request: Request, order_id: Identity, background: BackgroundTasks) -> Response:
    """Delete an order with its arm."""
    store = request.app.state.store
    with store.for_studio(caller_of(request).studio_id) as records:
        records.delete(_order(records, order_id))
    background.add_task(store.forget_traces)
    return Response(status_code=204, background=background)


@once.post(
    "/open-order-checks",
    response_model=JobOut,
    status_code=202,
    summary="Check all open orders against the shelf",
)
def check(
    request: Request, response: Response, records: Records, clock: TheClock, background: BackgroundTasks
) -> dict[str, Any]:
    """Begin a job; ask for it under `Location` to hear how far it has come."""
    now = clock.now()
    job = ShopJob(
        studio_id=caller_of(request).studio_id,
        kind="check",
        state=WAITING,
        total=records.scalar(select(func.count()).select_from(OpenOrder).where(OpenOrder.closed_at.is_(None))) or 0,
        done=0,
        found=0,
        after=None,
        created_at=now,
        touched_at=now,
        finished_at=None,
    )
    records.add(job)
    records.flush()
    background.add_task(start_check, job.id)
    response.headers["Location"] = f"/api/v1/jobs/{job.id}"
    return _fields(JobOut, job)


@router.get(
    "/jobs/{job_id}",
    response_model=JobOut,
    responses=NOT_THERE,
    summary="How far a job has come",
)
def job_is(job_id: Identity, records: Records, response: Response) -> dict[str, Any]:
    """State and counts of a job, until thirty days after it has finished."""
    found = records.get(ShopJob, job_id)
    if found is None:
        raise HTTPException(404, "There is no such job.")
    if found.state != DONE:
        response.headers["Retry-After"] = "1"
    return _fields(JobOut, found)


def _fields(model: type[BaseModel], row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in model.model_fields}


ROUTERS = (router, once)
