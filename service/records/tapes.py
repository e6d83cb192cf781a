"""A tape reading beside a photo of its time, and both as one length where they agree.

A reading is a check until the teacher counts it.  Then the arm's record holds both in one, with what the photo alone
gave and which reading was counted beside it, so that it can be taken back; other readings are still held against the
photo alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from calibration.quantity import Length, length_from_json, length_json
from service.fit.lengths import BY_TAPE
from service.fit.tape import TapeCheck, check_tape
from service.measuring.results import OTHER_LENGTHS, kept_length
from service.records.tables import ArmRecord, TapeRecord

COMPARABLE = timedelta(days=91)
"""A tape reading and a photo that lie further apart are not compared: an arm grows about 6 mm in three months."""
_ALONE, _TAPE = "without_tape", "tape_id"
"""Where a record of an arm holds the photo's own length, and which reading counts with it."""


def of_its_time(tape: TapeRecord, arms: Sequence[ArmRecord]) -> ArmRecord | None:
    """The arm nearest in time to a reading, None where none is near enough: an arm grows on.

    Of two that are equally near it is the later one, as everywhere: of one day the one that was accepted last.
    """
    later_first = sorted(arms, key=lambda arm: (arm.measured_on, arm.accepted_at), reverse=True)
    near = min(later_first, key=lambda arm: abs(arm.measured_on - tape.taken_on), default=None)
    return near if near is not None and abs(near.measured_on - tape.taken_on) <= COMPARABLE else None


def checked(tape: TapeRecord, arm: ArmRecord) -> TapeCheck:
    """A reading against an arm's photo."""
    others = {name: kept_length(arm.lengths, name) for name in OTHER_LENGTHS}
    photo = length_from_json((arm.automatic or {}).get(_ALONE) or arm.lengths["arm_length"])
    return check_tape(Length.stated(tape.value_mm, tape.uncertainty_mm, BY_TAPE.template), photo, others)


def counted_tape(arm: ArmRecord) -> str | None:
    """Which reading counts with an arm's photo."""
    return (arm.automatic or {}).get(_TAPE)


def one_waits(records: Session, arm: ArmRecord | None) -> bool:
    """Whether a reading agrees with an arm's photo and none counts with it yet."""
    if arm is None or counted_tape(arm) is not None:
        return False
    tapes = records.scalars(select(TapeRecord).where(TapeRecord.child_id == arm.child_id)).all()
    arms = records.scalars(select(ArmRecord).where(ArmRecord.child_id == arm.child_id)).all() if tapes else []
    return any(of_its_time(each, arms) is arm and checked(each, arm).combined is not None for each in tapes)


def count(tape: TapeRecord, arm: ArmRecord) -> bool:
    """Let a reading count with an arm's photo, in place of one that did; False where the two do not agree."""
    both = checked(tape, arm).combined
    if both is None:
        return False
    uncount(arm)
    arm.automatic = arm.automatic | {_ALONE: arm.lengths["arm_length"], _TAPE: tape.id}
    arm.lengths = arm.lengths | {"arm_length": length_json(both)}
    return True


def uncount(arm: ArmRecord) -> None:
    """Go back to what an arm's photo alone gave."""
    if counted_tape(arm) is not None:
        arm.lengths = arm.lengths | {"arm_length": arm.automatic[_ALONE]}
        arm.automatic = {name: value for name, value in arm.automatic.items() if name not in (_ALONE, _TAPE)}


def let_go(records: Session, tape: TapeRecord) -> None:
    """Let a reading count with no arm."""
    for arm in records.scalars(select(ArmRecord).where(ArmRecord.child_id == tape.child_id)):
        if counted_tape(arm) == tape.id:
            uncount(arm)
