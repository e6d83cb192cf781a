"""The shelf: a studio's or a shop's instruments that are in nobody's family, some of them lent out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import select, tuple_
from sqlalchemy.orm import Session

from calibration.quantity import Length
from service.fit.assigning import assign
from service.fit.counter import Heap, heap_of
from service.fit.decision import PLAYED, Action
from service.fit.errors import FitError
from service.fit.order import Order
from service.fit.ranking import Ranked
from service.fit.sentences import say
from service.fit.signs import CONDITION_QUESTIONS
from service.fit.verdict import Verdict
from service.records.deciding import (
    Known,
    arm_length,
    candidates,
    chart_in_use,
    condition,
    instrument_lengths,
    losses_in_use,
    order_for,
)
from service.records.shop_tables import Loan
from service.records.tables import ArmRecord, Child, Instrument

KINDS = {"body_length": "body", "total_length": "total", "string_length": "string"}
"""Lengths of a shelf's instrument, with what each is to the trade's rules."""
CONDITIONS = tuple(CONDITION_QUESTIONS)
LONGEST_SHELF_NAME = 60
"""Letters of an instrument's or a chart's name, and of whoever borrows one; the records' columns."""
LONGEST_REMARK = 300
"""Letters about an instrument's tuning and sound; our choice."""
REMARKS = "words"
"""Where an instrument's notes hold what was written freely."""


def as_typed(lengths: dict[str, Any] | None, field: str) -> str:
    """A kept length as people type it: with its expanded uncertainty; empty where it is not known."""
    kept = (lengths or {}).get(field)
    return f"{kept['value_mm']:.1f}±{(kept['high_mm'] - kept['low_mm']) / 2:.1f}" if kept else ""


def on_shelf(records: Session, after: tuple[str, str] | None = None, most: int | None = None) -> list[Instrument]:
    """Instruments of the shelf by name.

    Parameters
    ----------
    records : Session
        Of one studio.
    after : tuple of str and str, optional
        Name and identity of the last one that was seen.
    most : int, optional
        How many at most.
    """
    wanted = select(Instrument).where(Instrument.child_id.is_(None)).order_by(Instrument.name, Instrument.id)
    if after is not None:
        wanted = wanted.where(tuple_(Instrument.name, Instrument.id) > tuple_(*after))
    return list(records.scalars(wanted.limit(most)))


def one_on_shelf(records: Session, instrument_id: str) -> Instrument | None:
    """An instrument of the shelf; None where it has none such."""
    found = records.get(Instrument, instrument_id)
    return found if found is not None and found.child_id is None else None


def loans(records: Session, instruments: Sequence[Instrument]) -> dict[str, Loan]:
    """Loans that are not returned, by their instrument."""
    wanted = {each.id for each in instruments}
    found = records.scalars(select(Loan).where(Loan.returned_on.is_(None)).order_by(Loan.lent_on, Loan.id))
    return {each.instrument_id: each for each in found if each.instrument_id in wanted}


def players(records: Session, but: Child | None = None) -> dict[str, list[str]]:
    """Nicknames of the children who play an instrument, `but` one child, by the instrument's identity."""
    found: dict[str, list[str]] = {}
    for each in records.scalars(select(Child).where(Child.instrument_id.is_not(None)).order_by(Child.nickname)):
        if each is not but and each.instrument_id is not None:
            found.setdefault(each.instrument_id, []).append(each.nickname)
    return found


def with_somebody(records: Session, instruments: Sequence[Instrument], but: Child | None = None) -> set[str]:
    """Identities of those that are lent out, or that a child plays, `but` one child."""
    return {*loans(records, instruments), *players(records, but)} & {each.id for each in instruments}


def lend(records: Session, instrument: Instrument, borrower: str, today: date, due_on: date | None) -> Loan:
    """Lend an instrument out.

    Raises
    ------
    FitError
        If it is lent out already, or is to be back before it goes.
    """
    if instrument.id in loans(records, [instrument]):
        raise FitError(say("{name} is lent out already; note its return first.", name=instrument.name))
    if due_on is not None and due_on < today:
        raise FitError(say("The day on which it comes back lies in the past."))
    loan = Loan(
        studio_id=instrument.studio_id,
        instrument_id=instrument.id,
        borrower=borrower,
        lent_on=today,
        due_on=due_on,
        returned_on=None,
    )
    records.add(loan)
    records.flush()
    return loan


def take_back(records: Session, instrument: Instrument, today: date) -> Loan:
    """Note that an instrument came back.

    Raises
    ------
    FitError
        If it is not lent out.
    """
    loan = loans(records, [instrument]).get(instrument.id)
    if loan is None:
        raise FitError(say("{name} is not lent out.", name=instrument.name))
    loan.returned_on = today
    records.flush()
    return loan


NOBODY_NOW = "–"
"""Borrower of what is still out where the child to which it was lent is deleted."""


def call_borrower_after(records: Session, child: Child, before: str) -> None:
    """Let what was lent to a child under its former nickname be lent to it under its new one."""
    for loan in lent_to(records, child, before):
        loan.borrower = child.nickname


def forget_borrower(records: Session, child: Child) -> None:
    """Let no loan tell of a child that is deleted."""
    for loan in lent_to(records, child, child.nickname):
        if loan.returned_on is None:
            loan.borrower = NOBODY_NOW
        else:
            records.delete(loan)


def lent_to(records: Session, child: Child, nickname: str) -> list[Loan]:
    """Loans to a child by this nickname of it; none where another child is called so too."""
    another = select(Child.id).where(Child.nickname == nickname, Child.id != child.id)
    if records.scalars(another).first() is not None:
        return []
    return list(records.scalars(select(Loan).where(Loan.borrower == nickname)))


@dataclass(frozen=True)
class OnCounter:
    """An instrument held against an arm: where it stands among the others, and the whole judgement of it.

    Attributes
    ----------
    instrument : Instrument
    ranked : Ranked
    verdict : Verdict or None
        None where so many are laid on the same heap that this one was not judged in whole.
    heap : Heap
    loan : Loan or None
        Where it is lent out.
    """

    instrument: Instrument
    ranked: Ranked
    verdict: Verdict | None
    heap: Heap
    loan: Loan | None


def against(
    records: Session,
    arm: Length,
    *,
    child: Child | None = None,
    lent: bool = False,
    first: int | None = None,
    whole: int | None = None,
) -> list[OnCounter]:
    """The shelf against one arm, what suits it best first.

    Parameters
    ----------
    records : Session
        Of one studio.
    arm : Length
    child : Child, optional
        Whose arm it is: what was seen while it played counts, on its own instrument too.
    lent : bool
        Also what somebody has.
    first : int, optional
        How many at most.
    whole : int, optional
        How many of each heap are judged in whole; all where nothing is said.

    Raises
    ------
    FitError
        If the arm is implausible.
    """
    kept = on_shelf(records) if child is None else candidates(records, child)
    out, away = loans(records, kept), with_somebody(records, kept, child)
    shown = [each for each in kept if lent or each.id not in away]
    known = Known.of(records, child)
    found: list[OnCounter] = []
    on_heap: dict[Heap, int] = {}
    for each in known.ranked(arm, shown):
        own = shown[each.place]
        if own.child_id is not None:
            continue
        heap = heap_of(each)
        on_heap[heap] = on_heap.get(heap, 0) + 1
        verdict = known.verdict(arm, own) if whole is None or on_heap[heap] <= whole else None
        found.append(OnCounter(own, each, verdict, heap, out.get(own.id)))
        if len(found) == first:
            break
    return found


@dataclass(frozen=True)
class Given:
    """What one child of a class gets.

    Attributes
    ----------
    child : Child
    instrument : Instrument or None
        None where nothing is to be taken or tried.
    action : Action or None
        Take or try, with an instrument; of its own also to see to set-up first.
    wanted : Order or None
        What to order, without one.
    """

    child: Child
    instrument: Instrument | None
    action: Action | None
    wanted: Order | None


def give_out(
    records: Session, arms: Sequence[tuple[Child, ArmRecord]], instruments: Sequence[Instrument]
) -> list[Given]:
    """Give instruments of the shelf to a class, as `service.fit.assigning` has it; nothing is lent by that.

    What was seen while a child played counts, and what is to be ordered is what the child's own page says.  A child
    that plays an instrument of its family's, and may go on to, keeps it: nothing of the shelf or of a shop is needed.

    Raises
    ------
    FitError
        If an arm is implausible.
    """
    known = {child.id: Known.of(records, child) for child, _ in arms}
    given = {child.id: _keeps(records, known[child.id], child, arm) for child, arm in arms}
    without = [(child, arm) for child, arm in arms if given[child.id] is None]
    lengths = {each.id: instrument_lengths(each) for each in instruments}
    watched = {
        child.id: [
            (lengths.get(each, played), known[child.id].signs[each]) for each, played in known[child.id].played.items()
        ]
        for child, _ in without
    }
    found = assign(
        {child.id: arm_length(arm) for child, arm in without},
        list(lengths.values()),
        chart_in_use(records),
        losses=losses_in_use(records),
        watched=watched,
        doubted={child.id for child, _ in without if known[child.id].doubted},
        conditions=[condition(each) for each in instruments],
    )
    for (child, arm), loan in zip(without, found, strict=True):
        own = next((each for each in instruments if lengths[each.id] is loan.instrument), None)
        wanted = order_for(records, child, arm) if own is None else None
        given[child.id] = Given(child, own, loan.action, wanted)
    return [each for each in given.values() if each is not None]


def _keeps(records: Session, known: Known, child: Child, arm: ArmRecord) -> Given | None:
    """What a child plays of its family's own, where it goes on with that; None where it needs something."""
    own = records.get(Instrument, child.instrument_id) if child.instrument_id else None
    if own is None or own.child_id != child.id:
        return None
    (ranked,) = known.ranked(arm_length(arm), [own])
    stays = ranked.action in PLAYED or ranked.action is Action.SET_UP  # set-up and posture come before another size
    return Given(child, own, ranked.action, None) if stays else None
