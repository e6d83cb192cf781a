"""Everything a studio keeps about a child, or about all its children, to take away: JSON whole, CSV for the numbers."""

from __future__ import annotations

import csv
import io
import unicodedata
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.columns import StudioRow
from service.records.deciding import losses_in_use
from service.records.shelf import lent_to
from service.records.shop_tables import Loan, OpenOrder, Webhook
from service.records.tables import (
    ArmRecord,
    Child,
    Deed,
    Instrument,
    PhotoRequest,
    SignsRecord,
    StudioChart,
    TapeRecord,
    Upload,
    VerdictRecord,
)
from service.records.tapes import counted_tape

ABOUT_A_CHILD = (Instrument, PhotoRequest, Upload, ArmRecord, TapeRecord, SignsRecord, VerdictRecord, Deed)
NUMBERS = ("value_mm", "standard_uncertainty_mm", "low_mm", "high_mm")
CSV_COLUMNS = ("child", "kind", "date", "what", *NUMBERS, "source", "instrument")


def child_export(session: Session, child: Child) -> dict[str, Any]:
    """All rows about one child."""
    about = {
        table.__tablename__: [row_json(row) for row in session.scalars(select(table).where(table.child_id == child.id))]
        for table in ABOUT_A_CHILD
    }
    lent = [row_json(row) for row in lent_to(session, child, child.nickname)]
    return {"child": row_json(child)} | about | {Loan.__tablename__: lent}


def studio_export(session: Session) -> dict[str, Any]:
    """Children, shelf and shop of a studio, row by row; not its people, its keys and the history of who did what."""
    return {
        "children": [child_export(session, child) for child in session.scalars(select(Child))],
        "shelf": [row_json(row) for row in session.scalars(select(Instrument).where(Instrument.child_id.is_(None)))],
        "losses": asdict(losses_in_use(session)),
        "charts": [row_json(row) for row in session.scalars(select(StudioChart))],
        "loans": [row_json(row) for row in session.scalars(select(Loan))],
        "open_orders": [row_json(row) for row in session.scalars(select(OpenOrder))],
        "webhooks": [row_json(row) for row in session.scalars(select(Webhook))],
    }


def row_json(row: StudioRow) -> dict[str, Any]:
    """A row as JSON: moments and days in ISO 8601."""
    return {
        column.key: value.isoformat() if isinstance(value := getattr(row, column.key), date | datetime) else value
        for column in row.__table__.columns
        if column.key != "studio_id"
    }


def child_csv(session: Session, child: Child) -> str:
    """The numbers about one child, one length a line."""
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS)
    writer.writeheader()
    arms = select(ArmRecord).where(ArmRecord.child_id == child.id)
    for arm in session.scalars(arms.order_by(ArmRecord.measured_on, ArmRecord.accepted_at)):
        common = {"kind": "arm", "date": arm.measured_on, "source": "photo, corrected" if arm.corrected else "photo"}
        joined = {"source": f"{common['source']}, with tape"} if counted_tape(arm) else {}
        _write_lengths(writer, child, arm.lengths, common, {"arm_length": joined})
    own_ones = select(Instrument).where(Instrument.child_id == child.id).order_by(Instrument.name)
    for own in session.scalars(own_ones):
        called = {"instrument": tame(own.name), "date": own.measured_on, "source": own.measured_by}
        _write_lengths(writer, child, own.lengths, {"kind": "instrument"} | called, {})
    for tape in session.scalars(select(TapeRecord).where(TapeRecord.child_id == child.id)):
        writer.writerow(
            {
                "child": tame(child.nickname),
                "kind": "arm",
                "date": tape.taken_on.isoformat(),
                "what": "arm_length",
                "value_mm": tape.value_mm,
                "standard_uncertainty_mm": tape.uncertainty_mm,
                "source": "tape",
            }
        )
    return out.getvalue()


def _write_lengths(
    writer: csv.DictWriter[str],
    child: Child,
    lengths: dict[str, Any],
    common: dict[str, Any],
    besides: dict[str, dict[str, str]],
) -> None:
    """A line for each length, with what is `common` to all and said of one `besides`, by its name."""
    for what, length in lengths.items():
        if length is not None:
            numbers = {key: length[key] for key in NUMBERS}
            writer.writerow({"child": tame(child.nickname), "what": what} | common | numbers | besides.get(what, {}))


def tame(text: str) -> str:
    """A text that no spreadsheet takes for a formula, be its sign full-width (UAX #15, NFKC) or behind spaces."""
    begins = unicodedata.normalize("NFKC", text).lstrip()[:1]
    return f"'{text}" if begins in set("=+-@|%") or text[:1] in set("\t\r\n") else text


def untamed(text: str) -> str:
    """A text as it was before `tame`."""
    return text[1:] if text.startswith("'") and tame(text[1:]) == text else text
