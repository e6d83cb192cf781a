"""What teachers did, by whom and when, with enough kept to take it back.

A deed notes every row that it made, changed or deleted: what stood there before, and what after.  Undoing goes back
through those rows, and refuses where one of them was changed since: then the later deed is to be undone first.  What a
deed holds is forgotten after `UNDO_DAYS`, with its child, or when a family deletes what it sent; that something was
done, when and by whom stays `LOG_DAYS`.  Pictures are no part of it: a deleted photo stays deleted.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Date, delete, event, inspect, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.records.columns import Base, Moment, StudioRow
from service.records.database import changed
from service.records.photos import OVERLAY, PhotoFolder
from service.records.tables import ArmRecord, AuditEntry, Child, Deed, TapeRecord, Upload
from service.records.tapes import counted_tape, uncount
from service.words.i18n import marked

UNDO_DAYS = 7
"""How long a deed can be undone, days: our choice, a lesson's rhythm."""
LOG_DAYS = 90
"""How long it is known that something was done, days: our choice, a term."""


WORDS = {
    "arm-accepted": marked("Arm accepted"),
    "arm-taken-back": marked("Arm taken back"),
    "instrument-accepted": marked("Instrument accepted"),
    "instrument-made": marked("Instrument added"),
    "instrument-changed": marked("Instrument changed"),
    "instrument-deleted": marked("Instrument deleted"),
    "instrument-lent": marked("Instrument lent out"),
    "instrument-returned": marked("Instrument taken back from a loan"),
    "shelf-from-table": marked("Shelf changed by a table"),
    "order-deleted": marked("Open order deleted"),
    "photo-dismissed": marked("Photo dismissed"),
    "asked-again": marked("Photo asked for once more"),
    "child-changed": marked("Child changed"),
    "instrument-in-use": marked("Instrument in use changed"),
    "signs-noted": marked("Playing signs noted"),
    "tape-noted": marked("Tape reading noted"),
    "tape-counted": marked("Tape reading counted with the photo"),
    "tape-taken-back": marked("Tape reading taken back"),
    "decided": marked("Verdict kept"),
    "report-sent": marked("Report opened to the family"),
    "report-closed": marked("Report closed"),
    "link-closed": marked("Link to the family closed"),
    "chart-made": marked("Size chart made"),
    "chart-changed": marked("Size chart changed"),
    "chart-used": marked("Another size chart put in use"),
    "chart-deleted": marked("Size chart deleted"),
}
"""Every deed by its code."""


class ChangedSince(Exception):
    """Raised where a deed cannot be undone: something it touched was changed since."""


@contextmanager
def doing(
    records: Session, teacher_id: str, studio_id: str, now: datetime, what: str, child_id: str | None = None
) -> Iterator[Deed]:
    """Note what is done to rows in this block as one deed.

    Parameters
    ----------
    records : Session
        A studio's session.
    teacher_id, studio_id : str
        Who does it.
    now : datetime
    what : str
        Code of the deed, one of `WORDS`.
    child_id : str, optional
        The child it is about; its deletion takes the deed along.
    """
    records.flush()
    rows: list[dict[str, Any]] = []

    def collect(session: Session, _: object) -> None:
        for row in (*session.new, *session.dirty, *session.deleted):
            if isinstance(row, StudioRow) and not isinstance(row, Deed | AuditEntry):
                noted = _noted(session, row)
                if noted is not None:
                    rows.append(noted)

    deed = Deed(
        studio_id=studio_id, teacher_id=teacher_id, done_at=now, what=what, child_id=child_id, changes={"rows": []}
    )
    event.listen(records, "after_flush", collect)
    try:
        yield deed
        records.flush()
    finally:
        event.remove(records, "after_flush", collect)
    deed.changes = {"rows": rows}
    records.add(deed)
    records.flush()


def can_undo(deed: Deed, now: datetime) -> bool:
    """Whether a deed is still whole and not undone."""
    return deed.undone_at is None and bool(deed.changes.get("rows")) and deed.done_at > now - timedelta(days=UNDO_DAYS)


def undo(records: Session, photos: PhotoFolder, deed: Deed, now: datetime) -> None:
    """Put back what stood before a deed, within a savepoint: where it cannot be undone, nothing of it stays.

    Raises
    ------
    ChangedSince
        If the deed was undone already, is too old, or something it touched was changed since.
    """
    if not can_undo(deed, now):
        raise ChangedSince
    deed.undone_at = now
    records.flush()  # writes before it reads: in SQLite's savepoint whoever has read does not wait for another's write
    try:
        for noted in reversed(deed.changes["rows"]):
            _put_back(records, photos, noted, now)
            records.flush()
    except IntegrityError:  # what it belonged to is gone
        raise ChangedSince from None
    deed.changes = {}


def forget_deeds(records: Session, now: datetime) -> int:
    """Forget what old deeds hold, and that the oldest were done; how many rows that touched."""
    past = changed(records, delete(Deed).where(Deed.done_at <= now - timedelta(days=LOG_DAYS)))
    held = records.scalars(select(Deed).where(Deed.done_at <= now - timedelta(days=UNDO_DAYS))).all()
    emptied = [deed for deed in held if deed.changes]
    for deed in emptied:
        deed.changes = {}
    return past + len(emptied)


def forget_deeds_of(records: Session, child_id: str, nicknames: Collection[str] = ()) -> None:
    """Forget what deeds hold of a child: it is deleted, or a family deletes what it sent.

    A deed about something else may hold rows of it as well: with an instrument go the playing signs noted on it.

    Parameters
    ----------
    records : Session
        Of one studio.
    child_id : str
    nicknames : collection of str
        Whoever borrowed under one of these is the child.
    """
    for deed in records.scalars(select(Deed)):
        of_child = child_id in (deed.child_id, *_values(deed, "child_id"), *(each["id"] for each in _rows(deed)))
        if of_child or not _values(deed, "borrower").isdisjoint(nicknames):
            deed.changes = {}


def nicknames_of(records: Session, child: Child) -> set[str]:
    """The child's nickname, and former ones that deeds still hold."""
    about_it = records.scalars(select(Deed).where(Deed.child_id == child.id))
    return {child.nickname}.union(*(_values(deed, "nickname") for deed in about_it))


def _rows(deed: Deed) -> list[dict[str, Any]]:
    return list(deed.changes.get("rows", ()))


def _values(deed: Deed, column: str) -> set[Any]:
    """What a column holds in a deed's rows, before and after."""
    return {kept[column] for row in _rows(deed) for kept in (row["before"], row["after"]) if kept and column in kept}


def _noted(session: Session, row: StudioRow) -> dict[str, Any] | None:
    """A row before and after a change; None where nothing changed."""
    state = inspect(row)
    values = {column.key: _plain(getattr(row, column.key)) for column in state.mapper.column_attrs}
    noted: dict[str, Any] = {"table": row.__tablename__, "id": row.id}
    if row in session.new:
        return noted | {"before": None, "after": values}
    if row in session.deleted:
        return noted | {"before": values, "after": None}
    histories = {key: state.attrs[key].history for key in values}
    changed = {key: _plain(past.deleted[0]) for key, past in histories.items() if past.has_changes() and past.deleted}
    if not changed:
        return None
    return noted | {"before": changed, "after": {key: values[key] for key in changed}}


def _put_back(records: Session, photos: PhotoFolder, noted: dict[str, Any], now: datetime) -> None:
    kind = studio_tables()[noted["table"]]
    row = records.get(kind, noted["id"])
    before, after = noted["before"], noted["after"]
    if after is None:
        if row is not None:
            raise ChangedSince
        row = kind(**{key: _typed(kind, key, value) for key, value in before.items()})
        if isinstance(row, Upload) and row.photos_deleted_at is None and not photos.has(row.id, OVERLAY):
            row.photos_deleted_at = now
        records.add(row)
        _let_go_of_lost_reading(records, row)
        return
    if row is None or any(_plain(getattr(row, key)) != value for key, value in after.items()):
        raise ChangedSince
    if before is not None:
        for key, value in before.items():
            if not (isinstance(row, Upload) and key == "photos_deleted_at"):  # a deleted photo stays deleted
                setattr(row, key, _typed(kind, key, value))
        _let_go_of_lost_reading(records, row)
    elif _is_leant_on(records, row) or (isinstance(row, TapeRecord) and _is_counted(records, row)):
        raise ChangedSince
    else:
        records.delete(row)


def _is_leant_on(records: Session, row: StudioRow) -> bool:
    """Whether rows would vanish together with this one."""
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            if key.column.table.name == row.__tablename__ and key.ondelete == "CASCADE" and table.name != "deed":
                found = select(table.c.id).where(key.parent == row.id).limit(1)
                if records.execute(found).first() is not None:
                    return True
    return False


def _is_counted(records: Session, tape: TapeRecord) -> bool:
    """Whether a reading is part of an arm's length, which would go on holding it."""
    arms = records.scalars(select(ArmRecord).where(ArmRecord.child_id == tape.child_id))
    return any(counted_tape(arm) == tape.id for arm in arms)


def _let_go_of_lost_reading(records: Session, row: StudioRow) -> None:
    """Let an arm that comes back be its photo alone where the reading that counted with it is gone meanwhile."""
    if isinstance(row, ArmRecord) and records.get(TapeRecord, counted_tape(row) or "") is None:
        uncount(row)


def studio_tables() -> dict[str, type[StudioRow]]:
    """Every table whose rows belong to a studio, by its name."""
    return {
        mapper.class_.__tablename__: mapper.class_
        for mapper in Base.registry.mappers
        if issubclass(mapper.class_, StudioRow)
    }


def _plain(value: Any) -> Any:
    """A value as JSON holds it."""
    return value.isoformat() if isinstance(value, date | datetime) else value


def _typed(kind: type[StudioRow], key: str, value: Any) -> Any:
    """A value as a column holds it."""
    holds = inspect(kind).columns[key].type
    if value is None or not isinstance(holds, Moment | Date):
        return value
    return datetime.fromisoformat(value) if isinstance(holds, Moment) else date.fromisoformat(value)
