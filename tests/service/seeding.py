"""A studio with an invented history, written through the service's own tables: pages and strangers are tried on it."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from PIL import Image, ImageDraw
from sqlalchemy.orm import Session

from calibration.quantity import Contribution, Length, length_json
from service.measuring.outcome import ARM, INSTRUMENT
from service.records.columns import Base, StudioRow
from service.records.export import row_json
from service.records.photos import ORIGINAL, OVERLAY, VIEW
from service.records.shop_tables import OpenOrder
from service.records.tables import (
    ACCEPTED,
    MEASURED,
    OWNER,
    REFUSED,
    ApiKey,
    ArmRecord,
    Child,
    Deed,
    Instrument,
    Invitation,
    PhotoRequest,
    SignIn,
    SignsRecord,
    Studio,
    StudioChart,
    TapeRecord,
    Teacher,
    Upload,
    VerdictRecord,
)
from service.records.verdicts import keep_verdict
from service.security import digest, hash_password
from service.web.gate.guard import FAMILY, REPORT
from service.web.house import House
from vision.problems import ELBOW_BENT

NOW = datetime(2031, 5, 12, 9, 30, tzinfo=UTC)
PASSWORD = "a calm long sentence"
SIZE_PX = (1200, 900)


@dataclass
class SetClock:
    """A clock that a test sets forward."""

    moment: datetime = NOW

    def now(self) -> datetime:
        return self.moment

    def forward(self, **span: float) -> None:
        self.moment += timedelta(**span)


@dataclass(frozen=True)
class Seeded:
    """One of everything, by its identity."""

    studio_id: str
    teacher_id: str
    email: str
    session: str
    sign_in_id: str
    child_id: str
    instrument_id: str
    shelf_id: str
    chart_id: str
    request_id: str
    family: str
    arm_upload_id: str
    instrument_upload_id: str
    refused_upload_id: str
    verdict_id: str
    arm_id: str
    tape_id: str
    deed_id: str
    report: str
    invitation: str
    order_id: str = ""


def length(value_mm: float, u_mm: float) -> dict[str, Any]:
    """A length as it is kept."""
    parts = (
        Contribution("distance of the hand", 0.8 * u_mm),
        Contribution("size of the print", 0.6 * u_mm, "print-scale:a4-1"),
    )
    found = length_json(Length(value_mm, parts))
    assert found is not None
    return found


def arm_result(value_mm: float, u_mm: float = 4.0) -> dict[str, Any]:
    """An arm measurement as a worker hands it over."""
    return {
        "photo": "arm",
        "usable": True,
        "problems": [],
        "side": "left",
        "arm_length": length(value_mm, u_mm),
        "neck_to_wrist": length(0.84 * value_mm, u_mm),
        "neck_to_fingertip": length(1.18 * value_mm, u_mm),
        "shoulder_to_palm": length(0.82 * value_mm, u_mm),
        "spine_to_palm": length(1.1 * value_mm, u_mm),
        "hand_length": length(0.3 * value_mm, u_mm / 2),
        "hand_breadth": length(0.13 * value_mm, u_mm / 3),
        "neck_length": length(78.0, 12.0),
        "shoulder_fall": length(58.0, 9.0),
        "shoulder_run": length(95.0, 9.0),
        "points_px": {
            "side_neck": [430.0, 330.0],
            "shoulder": [505.0, 360.0],
            "elbow": [640.0, 365.0],
            "wrist": [770.0, 362.0],
            "mid_palm": [830.0, 360.0],
            "middle_fingertip": [900.0, 358.0],
        },
    }


def instrument_result(body_mm: float) -> dict[str, Any]:
    """An instrument measurement as a worker hands it over."""
    return {
        "photo": "instrument",
        "usable": True,
        "problems": [],
        "body_length": length(body_mm, 0.9),
        "total_length": length(body_mm / 0.605, 1.6),
        "upper_bout_width": length(0.47 * body_mm, 0.8),
        "middle_bout_width": length(0.31 * body_mm, 0.8),
        "lower_bout_width": length(0.58 * body_mm, 0.8),
        "string_length": None,
        "points_px": {"scroll_top": [600.0, 120.0], "body_top": [600.0, 380.0], "body_bottom": [600.0, 780.0]},
    }


@lru_cache(maxsize=16)
def plain_picture(seed: int = 0) -> bytes:
    """A made-up picture in the shape of a photo: a wall, a sheet, a figure of blocks."""
    noise = np.random.default_rng(seed).normal(0, 4, (SIZE_PX[1], SIZE_PX[0], 1))
    image = Image.fromarray(np.clip(np.array([214, 203, 186]) + noise, 0, 255).astype(np.uint8))
    pen = ImageDraw.Draw(image)
    pen.rectangle((650, 120, 800, 320), fill="white")
    for row in range(6):
        for column in range(5):
            if (row + column) % 2 == 0:
                pen.rectangle((665 + 24 * column, 135 + 24 * row, 688 + 24 * column, 158 + 24 * row), fill="black")
    pen.rectangle((350, 330, 510, 700), fill=(86, 110, 140))
    pen.ellipse((370, 190, 490, 330), fill=(206, 170, 140))
    pen.rectangle((500, 340, 860, 385), fill=(206, 170, 140))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85)
    return out.getvalue()


@lru_cache(maxsize=1)
def _password_hash() -> str:
    return hash_password(PASSWORD)  # slow on purpose: once is enough


@dataclass(frozen=True)
class _Known:
    """A studio that was written before, to be copied: its rows as SQLite keeps them, and its photos."""

    seeded: Seeded
    rows: dict[str, tuple[tuple[str, ...], list[tuple[Any, ...]]]]
    photos: dict[tuple[str, str], bytes]


_KNOWN: dict[tuple[str, datetime, str], _Known] = {}


def seed(house: House, name: str = "Studio Linde", now: datetime = NOW, mark: str = "") -> Seeded:
    """Write a studio with one of everything; `mark` is put before whatever people typed.

    In SQLite the first of its kind is written as the service writes, and copied by every test that comes after: to
    judge and to write a verdict in every language takes longer than most tests.
    """
    if house.store.is_shared:
        return _written(house, name, now, mark)
    known = _KNOWN.get((name, now, mark))
    if known is None:
        seeded = _written(house, name, now, mark)
        _KNOWN[name, now, mark] = _known(house, seeded)
        return seeded
    with house.store.engine.begin() as connection:
        connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
        for table, (columns, rows) in known.rows.items():
            words = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
            connection.exec_driver_sql(words, rows)
    for (upload_id, kind), content in known.photos.items():
        house.photos.put(upload_id, kind, content)
    seeded = known.seeded
    family, report = house.signer.token(FAMILY, seeded.request_id), house.signer.token(REPORT, seeded.verdict_id)
    return replace(seeded, family=family, report=report)


def _known(house: House, seeded: Seeded) -> _Known:
    """Read back what was written of a studio."""
    found: dict[str, tuple[tuple[str, ...], list[tuple[Any, ...]]]] = {}
    with house.store.engine.connect() as connection:
        for table in Base.metadata.tables.values():
            place = "id" if table.name == Studio.__tablename__ else "studio_id"
            if place in table.columns:
                words = f"SELECT * FROM {table.name} WHERE {place} = ?"
                read = connection.exec_driver_sql(words, (seeded.studio_id,))
                rows = [tuple(row) for row in read]
                if rows:
                    found[table.name] = tuple(read.keys()), rows
    columns, uploads = found[Upload.__tablename__]
    kept = {(row[columns.index("id")], kind) for row in uploads for kind in (ORIGINAL, VIEW, OVERLAY)}
    photos = {each: house.photos.get(*each) for each in sorted(kept)}
    return _Known(seeded, found, {each: content for each, content in photos.items() if content is not None})


def _written(house: House, name: str, now: datetime, mark: str) -> Seeded:
    mail = f"{name.split()[-1].lower()}@example.org"
    session_token, invitation_token = f"session of {name}", f"invitation of {name}"
    with house.store.whole_house() as session:
        studio = Studio(name=name, created_at=now, photo_days=14)
        session.add(studio)
        session.flush()
    with house.store.for_studio(studio.id) as records:
        rows = _Rows(records, {"studio_id": studio.id}, now, mark)
        teacher = rows.teacher(mail)
        signed = rows.signed_in(teacher, session_token)
        rows.keep(
            Invitation(studio_id=studio.id, token_digest=digest(invitation_token), expires_at=now + timedelta(days=7))
        )
        chart = rows.chart()
        child, owned, shelf = rows.children_and_instruments()
        asked = rows.request(child)
        uploads = {
            kind: rows.measured(house, asked, kind, result)
            for kind, result in ((ARM, arm_result(436.0)), (INSTRUMENT, instrument_result(243.0)))
        }
        refused = rows.refused(asked)
        arm = rows.arms(house, child, teacher)
        tape, noted = rows.tape(child, teacher)
        verdict = rows.verdict(child, arm, owned, teacher)
    return Seeded(
        studio_id=studio.id,
        teacher_id=teacher.id,
        email=mail,
        session=session_token,
        sign_in_id=signed.id,
        child_id=child.id,
        instrument_id=owned.id,
        shelf_id=shelf.id,
        chart_id=chart.id,
        request_id=asked.id,
        family=house.signer.token(FAMILY, asked.id),
        arm_upload_id=uploads[ARM].id,
        instrument_upload_id=uploads[INSTRUMENT].id,
        refused_upload_id=refused.id,
        verdict_id=verdict.id,
        arm_id=arm.id,
        tape_id=tape.id,
        deed_id=noted.id,
        report=house.signer.token(REPORT, verdict.id),
        invitation=invitation_token,
    )


Row = TypeVar("Row", bound=StudioRow)


@dataclass(frozen=True)
class _Rows:
    """Writes the rows of one studio: what all of them have, the moment, and what stands before what people typed."""

    records: Session
    own: dict[str, Any]
    now: datetime
    mark: str

    def keep(self, row: Row) -> Row:
        self.records.add(row)
        self.records.flush()
        return row

    def teacher(self, mail: str) -> Teacher:
        return self.keep(
            Teacher(
                **self.own,
                email=mail,
                name="Ada Linde",
                password_hash=_password_hash(),
                role=OWNER,
                language="en",
                created_at=self.now,
            )
        )

    def signed_in(self, teacher: Teacher, token: str) -> SignIn:
        return self.keep(
            SignIn(
                **self.own,
                teacher_id=teacher.id,
                token_digest=digest(token),
                created_at=self.now,
                seen_at=self.now,
                expires_at=self.now + timedelta(days=14),
            )
        )

    def chart(self) -> StudioChart:
        return self.keep(
            StudioChart(
                **self.own,
                name=f"{self.mark}Our own",
                csv="size,arm_from,arm_to,body_length,total_length\n1/8,430,470,255,421\n1/4,470,510,280,463\n",
                in_use=False,
                changed_at=self.now,
            )
        )

    def children_and_instruments(self) -> tuple[Child, Instrument, Instrument]:
        """Two children and three instruments; the first child with its own, and one of the shelf."""
        mark, day = self.mark, self.now.date()
        child = self._child("Mo", 2025, 2, None)
        self._child("Juno", 2023, 9, "girl")
        owned = self.keep(_instrument(self.own, f"{mark}Blue case", "1/8", 243.0, child.id, day))
        shelf = self.keep(_instrument(self.own, f"{mark}Shelf 12", "1/10", 231.0, None, day))
        self.keep(_instrument(self.own, f"{mark}Shelf 14", "1/8", 256.0, None, day))
        child.instrument_id = owned.id
        return child, owned, shelf

    def _child(self, nickname: str, year: int, month: int, sex: str | None) -> Child:
        called = f"{self.mark}{nickname}"
        child = Child(**self.own, nickname=called, birth_year=year, birth_month=month, sex=sex, created_at=self.now)
        return self.keep(child)

    def request(self, child: Child) -> PhotoRequest:
        return self.keep(
            PhotoRequest(
                **self.own,
                child_id=child.id,
                asks_arm=True,
                asks_instrument=True,
                language="en",
                reason=None,
                created_at=self.now,
                expires_at=self.now + timedelta(days=14),
                consent_at=self.now,
                bar_mm=149.0,
            )
        )

    def measured(self, house: House, asked: PhotoRequest, kind: str, result: dict[str, Any]) -> Upload:
        """A photo that waits for its review, with its pictures."""
        upload = self.keep(_upload(self.own, asked.id, asked.child_id, kind, result, MEASURED, self.now))
        for picture in (ORIGINAL, VIEW, OVERLAY):
            house.photos.put(upload.id, picture, plain_picture())
        return upload

    def refused(self, asked: PhotoRequest) -> Upload:
        bent = {"code": ELBOW_BENT.code, "message": ELBOW_BENT.message, "advice": ELBOW_BENT.advice}
        nothing = {"usable": False, "problems": [bent], "points_px": {}}
        earlier = self.now - timedelta(minutes=5)
        return self.keep(_upload(self.own, asked.id, asked.child_id, ARM, nothing, REFUSED, earlier))

    def arms(self, house: House, child: Child, teacher: Teacher) -> ArmRecord:
        """Two accepted measurements of the child; the later one."""
        before = self.now - timedelta(days=300)
        photo = self.keep(_upload(self.own, None, child.id, ARM, arm_result(418.0), ACCEPTED, before))
        house.photos.put(photo.id, OVERLAY, plain_picture(1))
        _, later = (
            self.keep(
                ArmRecord(
                    **self.own,
                    child_id=child.id,
                    upload_id=photo.id,
                    measured_on=(self.now - timedelta(days=30 * months)).date(),
                    lengths={k: v for k, v in arm_result(value).items() if isinstance(v, dict) and "value_mm" in v},
                    automatic=arm_result(value),
                    corrected=months == 2,
                    accepted_at=self.now - timedelta(days=30 * months),
                    teacher_id=teacher.id,
                    program_version="0.1.0",
                )
            )
            for months, value in ((10, 418.0), (2, 433.0))
        )
        return later

    def tape(self, child: Child, teacher: Teacher) -> tuple[TapeRecord, Deed]:
        """A tape reading, and that it was noted."""
        tape = self.keep(
            TapeRecord(
                **self.own,
                child_id=child.id,
                taken_on=self.now.date(),
                value_mm=366.0,
                uncertainty_mm=7,
                told_by="teacher",
            )
        )
        made = _made(tape)
        who = {"teacher_id": teacher.id, "child_id": child.id}
        return tape, self.keep(Deed(**self.own, **who, what="tape-noted", done_at=self.now, changes=made))

    def verdict(self, child: Child, arm: ArmRecord, owned: Instrument, teacher: Teacher) -> VerdictRecord:
        """A verdict on the child's own instrument, by what was seen of it, with a report."""
        signs = {"wrist_free": True, "fingers_easy": True, "bow_clear": True, "elbow_bent": True, "painless": True}
        day = self.now.date()
        self.keep(SignsRecord(**self.own, child_id=child.id, instrument_id=owned.id, noted_on=day, answers=signs))
        verdict = keep_verdict(
            self.records, child, arm, owned, teacher_id=teacher.id, now=self.now, language="en", program_version="0.1.0"
        )
        verdict.report_expires_at = self.now + timedelta(days=60)
        verdict.report_note = f"{self.mark}Lovely to see how freely the bow moves now."
        return verdict


def with_order(house: House, seeded: Seeded, mark: str = "") -> Seeded:
    """The same with an order that a program keeps open, by a key that is revoked."""
    with house.store.for_studio(seeded.studio_id) as records:
        own: dict[str, Any] = {"studio_id": seeded.studio_id}
        key = ApiKey(
            **own,
            name=f"{mark}The till",
            token_digest=digest(f"key of {seeded.studio_id}"),
            a_minute=60,
            scopes="orders",
            created_at=NOW,
            revoked_at=NOW,
        )
        records.add(key)
        records.flush()
        order = OpenOrder(
            **own,
            reference=f"{mark}2031-118",
            key_id=key.id,
            arm=length(448.0, 3.0),
            growth_mm=12.0,
            suiting=[seeded.shelf_id],
            created_at=NOW - timedelta(days=9),
            checked_at=NOW,
            closed_at=None,
        )
        records.add(order)
        records.flush()
        return replace(seeded, order_id=order.id)


def _made(row: StudioRow) -> dict[str, Any]:
    """What a deed holds that made a row."""
    return {
        "rows": [
            {
                "table": row.__tablename__,
                "id": row.id,
                "before": None,
                "after": row_json(row) | {"studio_id": row.studio_id},
            }
        ]
    }


def _instrument(
    own: dict[str, Any], name: str, label: str, body_mm: float, child_id: str | None, day: date
) -> Instrument:
    result = instrument_result(body_mm)
    return Instrument(
        **own,
        name=name,
        label=label,
        child_id=child_id,
        lengths={key: value for key, value in result.items() if isinstance(value, dict) and "value_mm" in value},
        automatic=result,
        measured_on=day,
        measured_by="photo",
        notes={"pegs_hold": True, "words": ""},
        program_version="0.1.0",
    )


def _upload(
    own: dict[str, Any],
    request_id: str | None,
    child_id: str,
    kind: str,
    result: dict[str, Any],
    state: str,
    now: datetime,
) -> Upload:
    return Upload(
        **own,
        request_id=request_id,
        child_id=child_id,
        kind=kind,
        client_key=f"{kind} {now.isoformat()}",
        received_at=now,
        state=state,
        delete_on=(now + timedelta(days=14)).date(),
        width_px=SIZE_PX[0],
        height_px=SIZE_PX[1],
        result=result,
    )
