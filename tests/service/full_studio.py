"""A busy studio for looking at pages: sample photos, years of readings, long names, every state of a child."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from service.jobs.workflows import keep_outcome
from service.jobs.workshop import Workshop
from service.measuring.looking import look_at_arm, solve_sight
from service.measuring.outcome import ARM, INSTRUMENT, ArmQuestion, InstrumentQuestion, Outcome
from service.measuring.work import measure_arm_photo, measure_instrument_photos
from service.records.audit import Action, note
from service.records.photos import ORIGINAL, OVERLAY
from service.records.tables import (
    ACCEPTED,
    OWNER,
    TEACHER,
    ArmRecord,
    Child,
    Instrument,
    PhotoRequest,
    SignIn,
    SignsRecord,
    Studio,
    TapeRecord,
    Teacher,
    Upload,
    VerdictRecord,
)
from service.records.verdicts import keep_verdict
from service.security import digest
from service.web.gate.guard import REPORT
from service.web.house import House
from tests.service.seeding import NOW, Seeded, arm_result, instrument_result, length, plain_picture, with_order

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CHILD, VIOLIN = SAMPLES / "child-3.jpg", SAMPLES / "instrument-3.jpg"
LONG_CHILD = "Maximiliana-Wilhelmine von der Mühlenau"
LONG_INSTRUMENT = "Leihinstrument Nr. 2031-07 (Geigenbauwerkstatt Kastenau)"


DENSE_ARM_MM, DENSE_BODY_MM = 430.0, 252.0
DENSE = {ARM: arm_result(DENSE_ARM_MM), INSTRUMENT: instrument_result(DENSE_BODY_MM)}
LONGEST_NOTE = (
    "Am Donnerstag bringe ich ein Leihinstrument zum Ausprobieren mit; bitte das Kinn nicht hochziehen. " * 6
)[:600]
"""As many letters as a word from the teacher may have."""
AGE_YEARS = 6.2
NECK_MOVED = 0.034
"""How far towards the palm the neck point of the earlier photo is corrected: it then shows the seeded 433 mm."""


def use_real_photos(house: House, seeded: Seeded) -> None:
    """Put sample photos, as they are measured, into the two uploads that wait for review."""
    arm, instrument = _measured()
    tools = Workshop(house.store, house.photos, house.pool, house.clock, review=True)
    for upload_id, photo, outcome in (
        (seeded.arm_upload_id, CHILD, arm),
        (seeded.instrument_upload_id, VIOLIN, instrument),
    ):
        house.photos.put(upload_id, ORIGINAL, photo.read_bytes())
        keep_outcome(tools, upload_id, outcome)


@cache
def _measured() -> tuple[Outcome, Outcome]:
    """What the two sample photos give; measured once for all studios of a process."""
    arm = measure_arm_photo(CHILD.read_bytes(), ARM, ArmQuestion(age_years=AGE_YEARS))
    return arm, measure_instrument_photos([(VIOLIN.read_bytes(), "instrument")], InstrumentQuestion())


@cache
def _earlier_picture() -> bytes:
    """The picture behind the arm that was accepted with a corrected point."""
    arm, _ = _measured()
    neck, palm = (np.array(arm.result["points_px"][name]) for name in ("side_neck", "mid_palm"))
    x, y = neck + NECK_MOVED * (palm - neck)
    sight = look_at_arm(CHILD.read_bytes(), ArmQuestion())
    moved = {0: {"side_neck": (float(x), float(y))}}
    corrected = solve_sight(sight, ArmQuestion(age_years=AGE_YEARS), moved, arm.photo_jpeg)
    assert corrected.overlay_jpeg is not None
    return corrected.overlay_jpeg


@dataclass(frozen=True)
class Full:
    """What a full studio has beyond a seeded one, by identity."""

    report: str
    """Link of a German report that says what to order."""
    long_child_id: str
    bare_child_id: str
    empty_session: str
    """Sign-in to another studio, in which nothing is."""


def fill(house: House, seeded: Seeded) -> Full:
    """Give the seeded studio a history, and put an empty studio beside it."""
    use_real_photos(house, seeded)
    with_order(house, seeded)
    with house.store.for_studio(seeded.studio_id) as records:
        own: dict[str, Any] = {"studio_id": seeded.studio_id}
        _history(house, records, seeded)
        _shelf(records, seeded)
        _decide_last(records, seeded)
        for name, year in ((LONG_CHILD, 2022), ("Jonah", 2020), ("Ida", 2024), ("K. B.", None)):
            records.add(
                Child(**own, nickname=name, birth_year=year, birth_month=3 if year else None, sex=None, created_at=NOW)
            )
        records.flush()
        long, asked, measured, bare = (
            records.query(Child).filter_by(nickname=name).one() for name in (LONG_CHILD, "Jonah", "Ida", "K. B.")
        )
        records.add(
            PhotoRequest(
                **own,
                child_id=asked.id,
                asks_arm=True,
                asks_instrument=False,
                language="de",
                created_at=NOW,
                expires_at=NOW + timedelta(days=9),
            )
        )
        records.add(_arm(own, seeded, 488.0, 0, False, measured.id))
        verdict = _german_verdict(records, seeded, long)
        _people(records, seeded)
    return Full(house.signer.token(REPORT, verdict.id), long.id, bare.id, _empty_studio(house))


def _history(house: House, records: Session, seeded: Seeded) -> None:
    """Earlier arms and tape readings of the seeded child."""
    own = {"studio_id": seeded.studio_id}
    earlier = records.query(ArmRecord).filter_by(child_id=seeded.child_id).first()
    assert earlier is not None
    upload = records.get_one(Upload, earlier.upload_id)
    house.photos.put(upload.id, OVERLAY, _earlier_picture())
    for months, value, corrected in ((26, 379.0, False), (19, 396.0, False), (14, 409.0, True)):
        records.add(_arm(own, seeded, value, months, corrected))
    for days, value in ((61, 431.0), (300, 352.0), (420, 409.0)):
        day = (NOW - timedelta(days=days)).date()
        tape = {"taken_on": day, "value_mm": value, "uncertainty_mm": 7.0, "told_by": "teacher"}
        records.add(TapeRecord(**own, child_id=seeded.child_id, **tape))


def _shelf(records: Session, seeded: Seeded) -> None:
    """Instruments of the shelf, one of which strained the seeded child."""
    own = {"studio_id": seeded.studio_id}
    for name, label, body_mm in (
        ("Shelf 3", "1/16", 203.0),
        ("Shelf 7", None, 238.5),
        (LONG_INSTRUMENT, "1/8", 247.0),
        ("Shelf 21", "1/4", 279.0),
    ):
        records.add(_instrument(own, name, label, body_mm))
    records.flush()
    wide = records.query(Instrument).filter_by(name="Shelf 21").one()
    strained = {"wrist_free": False, "fingers_easy": False, "bow_clear": True, "elbow_bent": False, "painless": True}
    about = {"child_id": seeded.child_id, "instrument_id": wide.id}
    records.add(SignsRecord(**own, **about, noted_on=NOW.date(), answers=strained))


def _german_verdict(records: Session, seeded: Seeded, child: Child) -> VerdictRecord:
    """A verdict of long words, with a report."""
    arm = _arm({"studio_id": seeded.studio_id}, seeded, 512.0, 7, False, child.id)
    records.add(arm)
    records.flush()
    verdict = keep_verdict(
        records,
        child,
        arm,
        records.query(Instrument).filter_by(name=LONG_INSTRUMENT).one(),
        teacher_id=seeded.teacher_id,
        now=NOW,
        language="de",
        program_version="0.1.0",
    )
    verdict.report_expires_at = NOW + timedelta(days=60)
    verdict.report_note = (
        "Bitte beim Geigenbauer nach den genannten Maßen fragen, nicht nach der Größe auf dem Etikett. "
        "Bis das neue Instrument da ist, kürzer üben und bei Anspannung aufhören."
    )
    return verdict


def _decide_last(records: Session, seeded: Seeded) -> None:
    """Let the seeded verdict be made of all that was noted: teachers decide after that."""
    decided = records.get_one(VerdictRecord, seeded.verdict_id)
    anew = keep_verdict(
        records,
        records.get_one(Child, seeded.child_id),
        records.get_one(ArmRecord, seeded.arm_id),
        records.get_one(Instrument, seeded.instrument_id),
        teacher_id=seeded.teacher_id,
        now=NOW,
        language="en",
        program_version="0.1.0",
    )
    decided.inputs, decided.outcome = anew.inputs, anew.outcome
    records.delete(anew)


def _people(records: Session, seeded: Seeded) -> None:
    """A second teacher, and what both did lately."""
    own = {"studio_id": seeded.studio_id}
    other = Teacher(
        **own,
        email="benedikta.ahorn-kastenau@example.org",
        name="Benedikta Ahorn-Kastenau",
        password_hash="",
        role=TEACHER,
        language="en",
        created_at=NOW,
        factor_since=NOW,
    )
    records.add(other)
    records.flush()
    for minutes, (who, action, about) in enumerate(
        (
            (seeded.teacher_id, Action.SIGNED_IN, None),
            (seeded.teacher_id, Action.TEACHER_INVITED, None),
            (other.id, Action.TEACHER_JOINED, other.id),
            (other.id, Action.FACTOR_ON, other.id),
            (other.id, Action.MEASUREMENT_ACCEPTED, seeded.child_id),
            ("f" * 32, Action.CHILD_DELETED, "e" * 32),
        )
    ):
        note(records, seeded.studio_id, action, NOW + timedelta(minutes=minutes), who, about)


def _empty_studio(house: House) -> str:
    token = "session of an empty studio"
    with house.store.whole_house() as session:
        studio = Studio(name="Studio Neu", created_at=NOW, photo_days=14)
        session.add(studio)
        session.flush()
        teacher = Teacher(
            studio_id=studio.id,
            email="neu@example.org",
            name="Neu",
            password_hash="",
            role=OWNER,
            language="en",
            created_at=NOW,
        )
        session.add(teacher)
        session.flush()
        session.add(
            SignIn(
                studio_id=studio.id,
                teacher_id=teacher.id,
                token_digest=digest(token),
                created_at=NOW,
                seen_at=NOW,
                expires_at=NOW + timedelta(days=14),
            )
        )
    return token


def _arm(
    own: dict[str, Any], seeded: Seeded, value_mm: float, months: int, corrected: bool, child_id: str | None = None
) -> ArmRecord:
    moment = NOW - timedelta(days=30.4 * months)
    found = arm_result(value_mm + (3.4 if corrected else 0))
    return ArmRecord(
        **own,
        child_id=child_id or seeded.child_id,
        upload_id=None,
        measured_on=moment.date(),
        lengths={
            name: each for name, each in arm_result(value_mm).items() if isinstance(each, dict) and "budget" in each
        },
        automatic=found,
        corrected=corrected,
        accepted_at=moment,
        teacher_id=seeded.teacher_id,
        program_version="0.1.0",
    )


def _instrument(own: dict[str, Any], name: str, label: str | None, body_mm: float) -> Instrument:
    found = instrument_result(body_mm)
    return Instrument(
        **own,
        name=name,
        label=label,
        child_id=None,
        lengths={"body_length": length(body_mm, 0.8), "total_length": found["total_length"]},
        automatic=None,
        measured_on=NOW.date(),
        measured_by="typed",
        notes={"pegs_hold": name != "Shelf 7", "words": ""},
        program_version="0.1.0",
    )


def dense_report(house: House, seeded: Seeded) -> str:
    """Keep a verdict of which there is much to say, with two pictures and the longest word; its identity.

    A violin that may be slightly large, refused by everything seen while the child plays it.
    """
    with house.store.for_studio(seeded.studio_id) as records:
        own: dict[str, Any] = {"studio_id": seeded.studio_id}
        child = Child(**own, nickname=LONG_CHILD, birth_year=2024, birth_month=3, sex=None, created_at=NOW)
        records.add(child)
        records.flush()
        photos = [_accepted(own, child.id, kind, result) for kind, result in DENSE.items()]
        records.add_all(photos)
        violin = _instrument(own, LONG_INSTRUMENT, "1/4", DENSE_BODY_MM)
        records.add(violin)
        records.flush()
        photos[1].instrument_id = violin.id
        arm = _arm(own, seeded, DENSE_ARM_MM, 0, False, child.id)
        arm.upload_id = photos[0].id
        signs = dict.fromkeys(("wrist_free", "fingers_easy", "bow_clear", "elbow_bent"), False)
        strained = SignsRecord(**own, child_id=child.id, instrument_id=violin.id, noted_on=NOW.date(), answers=signs)
        records.add_all((arm, strained))
        records.flush()
        verdict = keep_verdict(
            records,
            child,
            arm,
            violin,
            teacher_id=seeded.teacher_id,
            now=NOW,
            language="de",
            program_version="0.1.0",
        )
        verdict.report_expires_at = NOW + timedelta(days=60)
        verdict.report_note = LONGEST_NOTE
    for number, photo in enumerate(photos):
        house.photos.put(photo.id, OVERLAY, plain_picture(number))
    return str(verdict.id)


def _accepted(own: dict[str, Any], child_id: str, kind: str, result: dict[str, Any]) -> Upload:
    return Upload(
        **own,
        child_id=child_id,
        kind=kind,
        client_key=f"{child_id} {kind}",
        received_at=NOW,
        state=ACCEPTED,
        delete_on=(NOW + timedelta(days=14)).date(),
        result=result,
    )
