"""A shop's durable work: telling receivers what happened, and checking open orders against the shelf.

What has to be done stands in the records, written in the transaction in which it arose; a workflow does it at once, and
every half minute a round takes up whatever nobody did: the next try of a delivery, a check whose process died.  So it
is enough that a row is there.  A try is counted before it is made, by whoever is the first to do so, so that two
processes never make the same one; a receiver may still hear an event twice, after a crash, and knows it by its
``webhook-id``.

Deliveries follow the Standard Webhooks: signed, tried again with growing pauses, given up after about three days, an
address given up that failed for five days or says that it is gone (410).
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from dbos import DBOS, SetWorkflowID
from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session
from standardwebhooks import Webhook as Signature

from service.jobs.clock import Clock
from service.jobs.targets import TargetRefused, TargetRules, post
from service.logs import note_failure
from service.records.database import Store, changed
from service.records.hooks import Event, tell
from service.records.orders import Shelf, arm_of
from service.records.shop_tables import (
    DELIVERED,
    DONE,
    GIVEN_UP,
    RUNNING,
    WAITING,
    Delivery,
    KeptAnswer,
    OpenOrder,
    ShopJob,
    Webhook,
)
from service.settings import PROGRAM_VERSION

SHOP_QUEUE = "shop"
AT_ONCE = 4
"""Deliveries and checks of one process at the same time; our choice."""
ROUND_EVERY_S = 30.0
"""How often what nobody did is taken up, s: our choice."""
PAUSES = tuple(timedelta(seconds=each) for each in (5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400))
"""Pauses before the second try and the following ones: the example schedule of the Standard Webhooks, from memory."""
GIVE_ADDRESS_UP_AFTER = timedelta(days=5)
"""An address that only failed for so long is told nothing more: what the Standard Webhooks recommend, from memory."""
KEEP_DONE = timedelta(days=30)
"""How long a delivery that ended stays in the list, and a check that has finished; our choice."""
STALLED = timedelta(minutes=2)
"""A check that has not moved for so long lost its process: a batch takes seconds."""
BATCH = 25
"""Orders checked in one transaction; our choice, some seconds with a large shelf."""
GONE = 410
"""The receiver wants no more (RFC 9110, section 15.5.11)."""
MOST_A_ROUND = 200
"""Deliveries that one round takes up; the next one takes the others."""


@dataclass(frozen=True)
class Backroom:
    """What a shop's work is done with."""

    store: Store
    clock: Clock
    secrets_of: Callable[[str], Sequence[str]]
    rules: TargetRules


_backroom: Backroom | None = None
_last_round = 0.0  # monotonic seconds; none yet


def open_backroom(backroom: Backroom | None) -> None:
    """Hand the workflows their tools; None when the service stops."""
    global _backroom
    _backroom = backroom


def _tools() -> Backroom:
    if _backroom is None:
        raise RuntimeError("the service is not running")
    return _backroom


# Telling receivers


@DBOS.workflow()
async def deliver(delivery_id: str) -> None:
    """Try a delivery, and once more after the shortest pause; later tries are taken up by the rounds."""
    if await try_delivery(delivery_id):
        await DBOS.sleep_async(PAUSES[0].total_seconds() + 1)
        await try_delivery(delivery_id)


@DBOS.step()
async def try_delivery(delivery_id: str) -> bool:
    """Make one try; whether another one follows after the shortest pause."""
    tools = _tools()
    sent = await asyncio.to_thread(_claim, tools, delivery_id)
    if sent is None:
        return False
    status, fault = None, None
    try:
        status = await post(sent.url, sent.body, sent.headers, tools.rules)
    except TargetRefused as refused:
        fault = str(refused)[:40]
    except Exception as error:  # whatever a receiver does to a connection
        fault = type(error).__name__[:40]
    return await asyncio.to_thread(_note, tools, delivery_id, status, fault)


@dataclass(frozen=True)
class _Sent:
    """A try, ready to be sent."""

    url: str
    body: bytes
    headers: dict[str, str]


def _claim(tools: Backroom, delivery_id: str) -> _Sent | None:
    """Count a try before it is made; None where it is not due, or another process was first."""
    now = tools.clock.now()
    with tools.store.whole_house() as session:
        delivery = session.get(Delivery, delivery_id)
        hook = session.get(Webhook, delivery.webhook_id) if delivery is not None else None
        if delivery is None or hook is None or delivery.state != WAITING:
            return None
        if hook.disabled_at is not None:
            delivery.state, delivery.next_try_at = GIVEN_UP, None
            return None
        pause = PAUSES[min(delivery.tries, len(PAUSES) - 1)]
        is_due = (
            Delivery.id == delivery_id,
            Delivery.state == WAITING,
            Delivery.tries == delivery.tries,
            Delivery.next_try_at <= now,
        )
        counted = update(Delivery).where(*is_due).values(tries=delivery.tries + 1, next_try_at=now + pause)
        if changed(session, counted) != 1:
            return None
        return _signed(tools, hook, delivery, now)


def _signed(tools: Backroom, hook: Webhook, delivery: Delivery, now: datetime) -> _Sent:
    body = json.dumps(
        {"type": delivery.event, "timestamp": delivery.created_at.isoformat(), "data": delivery.about},
        separators=(",", ":"),
    )
    identity = f"msg_{delivery.id}"
    headers = {
        "Content-Type": "application/json",
        "User-Agent": f"scrollreach/{PROGRAM_VERSION}",
        "webhook-id": identity,
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": " ".join(
            Signature(secret).sign(identity, now, body) for secret in tools.secrets_of(hook.id)
        ),
    }
    return _Sent(hook.url, body.encode(), headers)


def _note(tools: Backroom, delivery_id: str, status: int | None, fault: str | None) -> bool:
    """Note how a try ended; whether another one follows after the shortest pause."""
    now = tools.clock.now()
    with tools.store.whole_house() as session:
        delivery = session.get(Delivery, delivery_id)
        hook = session.get(Webhook, delivery.webhook_id) if delivery is not None else None
        if delivery is None or hook is None or delivery.state != WAITING:
            return False
        delivery.status, delivery.fault = status, fault
        if status is not None and 200 <= status < 300:
            delivery.state, delivery.next_try_at, hook.failing_since = DELIVERED, None, None
            return False
        hook.failing_since = hook.failing_since or now
        if status == GONE or now - hook.failing_since > GIVE_ADDRESS_UP_AFTER:
            hook.disabled_at = now
        if hook.disabled_at is not None or delivery.tries > len(PAUSES):
            delivery.state, delivery.next_try_at = GIVEN_UP, None
            return False
        return delivery.tries == 1


# Checking orders


@DBOS.workflow()
async def check_orders(job_id: str) -> None:
    """Hold every open order against the shelf, some at a time."""
    while (told := await check_some(job_id)) is not None:
        for delivery_id in told:
            await start_delivery(delivery_id)


@DBOS.step()
async def check_some(job_id: str) -> list[str] | None:
    """Check the next orders of a job: the deliveries that it caused, or None where the job has ended."""
    return await asyncio.to_thread(_check_some, _tools(), job_id)


def _check_some(tools: Backroom, job_id: str) -> list[str] | None:
    now = tools.clock.now()
    with tools.store.whole_house() as session:
        job = session.get(ShopJob, job_id)
        studio_id = None if job is None else job.studio_id
    if studio_id is None:
        return None
    with tools.store.for_studio(studio_id) as records:
        job = records.get_one(ShopJob, job_id)
        if job.state == DONE or not _take(records, job, now):
            return None
        wanted = select(OpenOrder).where(OpenOrder.closed_at.is_(None)).order_by(OpenOrder.id).limit(BATCH)
        if job.after is not None:
            wanted = wanted.where(OpenOrder.id > job.after)
        orders = records.scalars(wanted).all()
        shelf = Shelf.of(records) if orders else None
        told = []
        for order in orders:
            assert shelf is not None
            told += check_one(records, order, shelf, now)
            job.found += bool(order.suiting)
            job.after = order.id
        job.done += len(orders)
        job.total = max(job.total, job.done)
        if len(orders) < BATCH:
            job.state, job.finished_at, job.total = DONE, now, job.done
            about = {"job_id": job.id, "orders": job.done, "suited": job.found}
            told += tell(records, studio_id, Event.CHECK_FINISHED, about, now)
        return told


def _take(records: Session, job: ShopJob, now: datetime) -> bool:
    """Make a job's next step ours; False where another process did so meanwhile."""
    seen = ShopJob.after.is_(None) if job.after is None else ShopJob.after == job.after
    is_next = (ShopJob.id == job.id, ShopJob.done == job.done, ShopJob.state != DONE, seen)
    return changed(records, update(ShopJob).where(*is_next).values(state=RUNNING, touched_at=now)) == 1


def check_one(records: Session, order: OpenOrder, shelf: Shelf, now: datetime) -> list[str]:
    """Hold one order against the shelf; the deliveries that tell what newly suits it."""
    suiting = shelf.suiting(arm_of(order), order.growth_mm)
    fresh = [each for each in suiting if each not in order.suiting]
    order.suiting, order.checked_at = suiting, now
    if not fresh:
        return []
    return tell(records, order.studio_id, Event.ORDER_SUITED, {"order_id": order.id, "instrument_ids": fresh}, now)


# Starting, and taking up what nobody did


async def start_delivery(delivery_id: str) -> None:
    """Start to deliver; where that fails just now, the next round does."""
    await _start(f"deliver:{delivery_id}:{time.time_ns()}", deliver, delivery_id)


async def start_check(job_id: str) -> None:
    """Start a check of orders; where that fails just now, a round does."""
    await _start(f"check:{job_id}:{time.time_ns()}", check_orders, job_id)


async def _start(workflow_id: str, workflow: Callable[[str], Any], about: str) -> None:
    try:
        with SetWorkflowID(workflow_id):
            if _tools().store.is_shared:
                await DBOS.enqueue_workflow_async(SHOP_QUEUE, workflow, about)
            else:
                await DBOS.start_workflow_async(workflow, about)
    except Exception as error:
        note_failure("work could not be started and will be", error)


async def look_round() -> None:
    """Take up what is due and nobody does, at most every half minute."""
    global _last_round
    if _backroom is None or time.monotonic() - _last_round < ROUND_EVERY_S:
        return
    _last_round = time.monotonic()
    await take_up()


async def take_up() -> None:
    """Start deliveries that are due and checks that stand still; forget what has had its time."""
    deliveries, checks = await asyncio.to_thread(_due, _tools())
    for delivery_id in deliveries:
        await start_delivery(delivery_id)
    for job_id in checks:
        await start_check(job_id)


def _due(tools: Backroom) -> tuple[list[str], list[str]]:
    now = tools.clock.now()
    with tools.store.whole_house() as session:
        session.execute(delete(KeptAnswer).where(KeptAnswer.expires_at <= now))
        session.execute(delete(Delivery).where(Delivery.state != WAITING, Delivery.created_at <= now - KEEP_DONE))
        session.execute(delete(ShopJob).where(ShopJob.state == DONE, ShopJob.finished_at <= now - KEEP_DONE))
        deliveries = session.scalars(
            select(Delivery.id)
            .where(Delivery.state == WAITING, Delivery.next_try_at <= now)
            .order_by(Delivery.next_try_at)
            .limit(MOST_A_ROUND)
        ).all()
        checks = session.scalars(
            select(ShopJob.id).where(
                or_(ShopJob.state == WAITING, ShopJob.state == RUNNING), ShopJob.touched_at <= now - STALLED
            )
        ).all()
    return list(deliveries), list(checks)
