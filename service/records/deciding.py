"""From a studio's records to a verdict, an order, and what a family does next.

The trade's rules are in `service.fit`; here is only where its inputs lie.  What was decided is kept by
`service.records.verdicts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import cast

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from calibration.anthropometry import Sex
from calibration.quantity import Length, length_from_json
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart
from service.fit.chart_table import default_chart, read_chart
from service.fit.decision import PLAYED, Action
from service.fit.errors import FitError
from service.fit.explanation import is_on_the_small_side, to_do
from service.fit.growth import DatedArm, Growth, is_last_doubted, predict
from service.fit.losses import Losses
from service.fit.next_step import counting_first
from service.fit.order import NOT_GROWN, Allowance, Order, order, order_sentences
from service.fit.outlook import outlook
from service.fit.ranking import Ranked, rank
from service.fit.sentences import Sentence, say
from service.fit.setup import NOT_SEEN, Build
from service.fit.signs import CONDITION_QUESTIONS, SIGN_QUESTIONS, InstrumentCondition, PlayingSigns
from service.fit.verdict import Verdict, judge
from service.measuring.results import kept_build, kept_length
from service.records.lookups import age_years
from service.records.tables import ArmRecord, Child, Instrument, SignsRecord, Studio, StudioChart
from service.records.tapes import one_waits
from service.words.names import by_name

DAYS_A_YEAR = 365.25
ALLOWED_MONTHS = 6
"""Growth allowed for in what is ordered, in months: half a year, as common practice, no source."""

MEASURED_AGAIN = timedelta(days=183)
"""After half a year a report asks to measure again: an arm has grown by some 12 mm then, as far as a stretch."""


def chart_in_use(records: Session) -> Chart:
    """The studio's chart, or common practice where it has chosen none."""
    kept = records.scalars(select(StudioChart).where(StudioChart.in_use)).first()
    return read_chart(kept.csv, kept.name) if kept is not None else default_chart()


def losses_in_use(records: Session) -> Losses:
    """What a wrong choice costs as the studio sees it, or the usual losses."""
    return Losses(**(records.get_one(Studio, records.info["studio_id"]).losses or {}))


def latest_arm(records: Session, child_id: str) -> ArmRecord | None:
    """The arm that was measured last."""
    return records.scalars(
        select(ArmRecord)
        .where(ArmRecord.child_id == child_id)
        .order_by(ArmRecord.measured_on.desc(), ArmRecord.accepted_at.desc())
    ).first()


def is_old(arm: ArmRecord, today: date) -> bool:
    """Whether an arm has grown too much since it was measured for anything to be decided by it."""
    return today - arm.measured_on > MEASURED_AGAIN


def arm_length(arm: ArmRecord) -> Length:
    """The arm of a record."""
    return length_from_json(arm.lengths["arm_length"])


def instrument_lengths(instrument: Instrument) -> InstrumentLengths:
    """What is measured on an instrument, for the trade's rules."""
    return InstrumentLengths(
        kept_length(instrument.lengths, "body_length"),
        kept_length(instrument.lengths, "total_length"),
        instrument.label,
        instrument.name,
        kept_length(instrument.lengths, "string_length"),
    )


def condition(instrument: Instrument) -> InstrumentCondition:
    """The state of an instrument as noted."""
    return InstrumentCondition(**{name: instrument.notes.get(name) for name in CONDITION_QUESTIONS})


def signs_by_instrument(records: Session, child_id: str) -> dict[str, PlayingSigns]:
    """What was last seen of the child playing each of its instruments, by the instrument's identity."""
    noted = records.scalars(
        select(SignsRecord)
        .where(SignsRecord.child_id == child_id)
        .order_by(SignsRecord.noted_on, SignsRecord.id.desc())
    )
    return {
        each.instrument_id: PlayingSigns(**{name: each.answers.get(name) for name in SIGN_QUESTIONS})
        for each in noted
        if each.instrument_id is not None
    }


def candidates(records: Session, child: Child) -> list[Instrument]:
    """Instruments this child could play: the family's own and the studio's shelf."""
    found = records.scalars(select(Instrument).where(_could_play(child)))
    return by_name(found)


def candidate(records: Session, child: Child, instrument_id: str) -> Instrument | None:
    """One of the `candidates`; None where it is none."""
    return records.scalars(select(Instrument).where(Instrument.id == instrument_id, _could_play(child))).one_or_none()


def _could_play(child: Child) -> ColumnElement[bool]:
    return (Instrument.child_id == child.id) | Instrument.child_id.is_(None)


@dataclass(frozen=True)
class Known:
    """What a child's instruments are judged by, read once: chart, losses, and what was seen of the child.

    Attributes
    ----------
    chart : Chart
    losses : Losses
    signs : dict of str to PlayingSigns
        What was last seen while the child played, by the instrument's identity.
    played : dict of str to InstrumentLengths
        Those of these instruments that the child could play; what was seen on one counts for the others too.
    doubted : bool
        Whether the arm that was measured last contradicts others of the child: then nothing is decided by it.
    tape_waits : bool
        Whether a tape reading agrees with that arm's photo and is not counted with it yet.
    """

    chart: Chart
    losses: Losses
    signs: dict[str, PlayingSigns]
    played: dict[str, InstrumentLengths]
    doubted: bool = False
    tape_waits: bool = False

    @classmethod
    def of(cls, records: Session, child: Child | None) -> Known:
        """What is known of a child, or of a stranger."""
        signs = {} if child is None else signs_by_instrument(records, child.id)
        played = {}
        if child is not None and signs:
            own = select(Instrument).where(Instrument.id.in_(signs), _could_play(child))
            played = {each.id: instrument_lengths(each) for each in records.scalars(own)}
        doubted = child is not None and is_doubted(child, dated_arms(records, child.id))
        waits = child is not None and one_waits(records, latest_arm(records, child.id))
        return cls(chart_in_use(records), losses_in_use(records), signs, played, doubted, waits)

    def elsewhere(self, *among: Instrument) -> list[tuple[InstrumentLengths, PlayingSigns]]:
        """What was seen on instruments that are not `among` these."""
        left_out = {each.id for each in among}
        return [
            (self.played[each], signs)
            for each, signs in self.signs.items()
            if each in self.played and each not in left_out
        ]

    def ranked(self, arm: Length, instruments: Sequence[Instrument]) -> tuple[Ranked, ...]:
        """Instruments in the order in which they suit the child.

        Raises
        ------
        LengthError
            If the arm is implausible.
        """
        return rank(
            arm,
            [instrument_lengths(each) for each in instruments],
            self.chart,
            [condition(each) for each in instruments],
            signs=[self.signs.get(each.id) for each in instruments],
            losses=self.losses,
            played=self.elsewhere(*instruments),
            doubted=self.doubted,
        )

    def verdict(self, arm: Length, instrument: Instrument, build: Build = NOT_SEEN) -> Verdict:
        """Judge an instrument for the child by all that is recorded.

        Raises
        ------
        LengthError
            If the arm is implausible.
        """
        verdict = judge(
            arm,
            instrument_lengths(instrument),
            self.chart,
            self.signs.get(instrument.id),
            condition(instrument),
            losses=self.losses,
            played=self.elsewhere(instrument),
            build=build,
            doubted=self.doubted,
        )
        return replace(verdict, steps=counting_first(verdict.steps)) if self.tape_waits else verdict


def verdict_for(
    records: Session,
    child: Child,
    arm: Length,
    instrument: Instrument,
    build: Build = NOT_SEEN,
    doubted: bool | None = None,
) -> Verdict:
    """Judge one instrument for a child by what is recorded of both, and by what was seen on the child's others.

    An `arm` that is not among the records may be `doubted`, or not, in place of the one that was measured last.
    """
    known = Known.of(records, child)
    return (known if doubted is None else replace(known, doubted=doubted)).verdict(arm, instrument, build)


def dated_arms(records: Session, child_id: str) -> list[tuple[date, Length]]:
    """The child's arms with the days on which they were measured, in the order of time."""
    arms = records.scalars(
        select(ArmRecord).where(ArmRecord.child_id == child_id).order_by(ArmRecord.measured_on, ArmRecord.accepted_at)
    )
    return [(each.measured_on, arm_length(each)) for each in arms]


def is_doubted(child: Child, arms: Sequence[tuple[date, Length]]) -> bool:
    """Whether the last of a child's arms contradicts the others, by growth where the ages are known."""
    if len(arms) < 2:
        return False
    aged = [DatedArm(age, arm) for day, arm in arms if (age := age_years(child, day)) is not None]
    try:
        if len(aged) == len(arms):
            return predict(aged, _sex(child), months=1).doubted
    except FitError:  # an age of which the references know nothing
        pass
    return is_last_doubted([DatedArm(day.toordinal() / DAYS_A_YEAR, arm) for day, arm in arms])


def growth_of(records: Session, child: Child, instrument: Instrument | None) -> Growth | None:
    """How the arm will grow, and when this instrument is outgrown; None where age or arm are not known.

    Raises
    ------
    GrowthError
        If the age is outside of what the references cover.
    """
    arms = dated_arms(records, child.id)
    history = [DatedArm(age, arm) for day, arm in arms if (age := age_years(child, day)) is not None]
    if not history:
        return None
    lengths = instrument_lengths(instrument) if instrument else None
    return predict(history, _sex(child), chart_in_use(records), lengths, losses=losses_in_use(records))


def growth_if_known(records: Session, child: Child, instrument: Instrument | None) -> Growth | None:
    """The same; None also where the age is outside of what the references cover."""
    try:
        return growth_of(records, child, instrument)
    except FitError:
        return None


def _sex(child: Child) -> Sex | None:
    return cast(Sex, child.sex) if child.sex in ("girl", "boy") else None


def to_order(
    known: Known, arm: Length, growth: Growth | None, used: Instrument | None, verdict: Verdict | None
) -> Order:
    """What to order for a child, with half a year's growth allowed where the age is known.

    Parameters
    ----------
    known : Known
        Of the child.
    arm : Length
    growth : Growth or None
        None where age or arm are not known.
    used : Instrument or None
        That the child plays now.
    verdict : Verdict or None
        Of that instrument.

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    seen = known.elsewhere(*[used] if used is not None else [])
    return order(
        arm,
        known.chart,
        _allowed(growth),
        losses=known.losses,
        instead_of=verdict,
        played=seen,
        doubted=known.doubted,
    )


def order_for(records: Session, child: Child, arm: ArmRecord) -> Order:
    """The same, by what is recorded of the child.

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    used = records.get(Instrument, child.instrument_id) if child.instrument_id else None
    known, length = Known.of(records, child), arm_length(arm)
    verdict = known.verdict(length, used, kept_build(arm.lengths)) if used is not None else None
    return to_order(known, length, growth_if_known(records, child, used), used, verdict)


def _allowed(growth: Growth | None) -> Allowance:
    """Growth of the arm that an order allows for; none where nothing is known of it."""
    return NOT_GROWN if growth is None else Allowance(growth.grown_mm(ALLOWED_MONTHS), ALLOWED_MONTHS)


def next_lines(
    verdict: Verdict,
    growth: Growth | None,
    measured_on: date,
    seen: Sequence[tuple[InstrumentLengths, PlayingSigns]] = (),
) -> list[Sentence]:
    """What a family does next: settle an open question, order another instrument, or measure again in time.

    What was seen on the child's other instruments counts in what is ordered.
    """
    if verdict.doubted and verdict.action is Action.MEASURE:
        return [say("Take a new photo of the child: it tells which of the measurements is wrong.")]
    if verdict.action is Action.MEASURE:
        return [step.sentence() for step in verdict.steps[:2]] or [to_do(verdict)]
    if verdict.action in (Action.SMALLER, Action.LARGER):
        allowed = _allowed(growth)
        wanted = order(verdict.arm, verdict.chart, allowed, losses=verdict.losses, instead_of=verdict, played=seen)
        return list(order_sentences(wanted))
    if verdict.action not in PLAYED:
        return [say("Measure again when what is said above has been settled.")]
    outgrown = None if growth is None or growth.outgrown is None else growth.outgrown.likely
    if is_on_the_small_side(verdict) or (outgrown is not None and outgrown < ALLOWED_MONTHS):
        lines = [say("Measure again in three months, or sooner if playing becomes uncomfortable.")]
    else:
        lines = [say("Measure again in half a year, or sooner if playing becomes uncomfortable.")]
    if growth is not None:
        lines += outlook(growth, measured_on, verdict)[:1]
    return lines
