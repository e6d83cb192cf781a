"""Verdicts that are kept: with the exact inputs, and the words in every language.

So a verdict can be read as it was said, whatever later programs would say, and it is seen when what it was made of has
changed since.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.fit.signs import InstrumentCondition
from service.fit.verdict_json import verdict_json
from service.measuring.results import kept_build
from service.records.deciding import (
    Known,
    arm_length,
    chart_in_use,
    condition,
    dated_arms,
    growth_if_known,
    is_doubted,
    latest_arm,
    next_lines,
    signs_by_instrument,
)
from service.records.tables import ArmRecord, Child, Instrument, VerdictRecord
from service.words.i18n import LANGUAGES, translator
from service.words.names import renamed


def keep_verdict(
    records: Session,
    child: Child,
    arm: ArmRecord,
    instrument: Instrument,
    *,
    teacher_id: str,
    now: datetime,
    language: str,
    program_version: str,
) -> VerdictRecord:
    """Judge, and keep the verdict with all that went into it."""
    known = Known.of(records, child)
    verdict = known.verdict(arm_length(arm), instrument, kept_build(arm.lengths))
    then = next_lines(
        verdict, growth_if_known(records, child, instrument), arm.measured_on, known.elsewhere(instrument)
    )
    kept = VerdictRecord(
        studio_id=child.studio_id,
        child_id=child.id,
        instrument_id=instrument.id,
        arm_record_id=arm.id,
        teacher_id=teacher_id,
        made_at=now,
        program_version=program_version,
        inputs=_inputs(records, arm, instrument),
        outcome={
            code: verdict_json(verdict, translator(code), code)
            | {"next": [each.text(translator(code), code) for each in then]}
            for code in LANGUAGES
        },
        report_language=language,
        report_note="",
        report_expires_at=None,
        report_revoked_at=None,
    )
    records.add(kept)
    records.flush()
    return kept


def _inputs(records: Session, arm: ArmRecord, instrument: Instrument) -> dict[str, Any]:
    """What a verdict on an instrument is made from, as it is kept."""
    return {
        "arm": {"measured_on": arm.measured_on.isoformat(), "lengths": arm.lengths, "corrected": arm.corrected},
        "chart": chart_in_use(records).as_json(),
        "doubted": is_doubted(records.get_one(Child, arm.child_id), dated_arms(records, arm.child_id)),
        **_noted(records, arm.child_id, instrument),
    }


def _noted(records: Session, child_id: str, instrument: Instrument) -> dict[str, Any]:
    """What is known of an instrument, and what was seen while the child played it and others."""
    seen = {each: asdict(signs) for each, signs in signs_by_instrument(records, child_id).items()}
    return {
        "instrument": {
            "name": instrument.name,
            "label": instrument.label,
            "measured_on": instrument.measured_on.isoformat(),
            "measured_by": instrument.measured_by,
            "lengths": instrument.lengths,
            "condition": asdict(condition(instrument)),
        },
        "signs": seen.pop(instrument.id, None),
        "signs_elsewhere": seen,
    }


def made_of_now(records: Session, kept: VerdictRecord) -> bool:
    """Whether a kept verdict was made of what is known now of the child: its arm, the instrument, what was seen.

    Where the instrument is gone its arm alone tells.  Another chart makes no verdict old, nor does another name; what
    an earlier program did not keep is not compared.
    """
    arm = latest_arm(records, kept.child_id)
    if arm is None or kept.arm_record_id != arm.id or kept.inputs["arm"]["lengths"] != arm.lengths:
        return False
    doubted = is_doubted(records.get_one(Child, kept.child_id), dated_arms(records, kept.child_id))
    if doubted != kept.inputs.get("doubted", False):
        return False
    instrument = records.get(Instrument, kept.instrument_id) if kept.instrument_id else None
    if instrument is None:
        return True
    now = _noted(records, kept.child_id, instrument)
    seen = all(now[name] == kept.inputs[name] for name in ("signs", "signs_elsewhere") if name in kept.inputs)
    measured = kept.inputs["instrument"]
    if "condition" in measured:  # what was not asked then was not looked at
        measured = measured | {"condition": asdict(InstrumentCondition(**measured["condition"]))}
    return seen and all(now["instrument"].get(name) == value for name, value in measured.items() if name != "name")


def rename_with_child(records: Session, child: Child, before: str) -> None:
    """Call instruments that go by their child's name after its new one, in kept verdicts too.

    Its former name may have been one that is to be forgotten.

    Parameters
    ----------
    records : Session
    child : Child
        With its nickname of now.
    before : str
        Its former nickname.
    """
    for own in records.scalars(select(Instrument).where(Instrument.child_id == child.id)):
        own.name = renamed(own.name, before, child.nickname)
    for kept in records.scalars(select(VerdictRecord).where(VerdictRecord.child_id == child.id)):
        name = renamed(kept.inputs["instrument"]["name"], before, child.nickname)
        kept.inputs = kept.inputs | {"instrument": kept.inputs["instrument"] | {"name": name}}
        kept.outcome = {
            code: said | {"instrument": said["instrument"] | {"name": name}} for code, said in kept.outcome.items()
        }
