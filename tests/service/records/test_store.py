"""Records: migrations, one studio at a time, encrypted photos, export, and deletion that really deletes."""

from __future__ import annotations

import csv
import io
import json
import os
import sqlite3
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import delete, event, select

from service.records import database
from service.records.columns import Base
from service.records.database import Store, WrongStudio
from service.records.deeds import doing
from service.records.erase import erase_child, erase_studio
from service.records.export import child_csv, child_export, studio_export
from service.records.folder import FolderError
from service.records.photo_places import LocalFolder
from service.records.photos import ORIGINAL, VIEW, PhotoFolder
from service.records.refused import KEPT_S
from service.records.shelf import lend, take_back
from service.records.shop_tables import Loan
from service.records.tables import ArmRecord, Child, Instrument, Studio
from service.security import Secrets
from service.settings import Settings
from service.web.house import House, open_house
from tests.service.conftest import Recorded
from tests.service.seeding import NOW, SetClock, seed


@pytest.fixture
def house(tmp_path: Path) -> House:
    return open_house(Settings(data_folder=tmp_path), Recorded(), SetClock())


def test_what_is_kept_is_on_the_disk_and_what_is_deleted_is_overwritten(
    tmp_path: Path, own_pragmas: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "PRAGMAS", own_pragmas)
    connection = sqlite3.connect(tmp_path / "records.sqlite")
    database._prepare_connection(connection, None)
    names = ("journal_mode", "synchronous", "foreign_keys", "secure_delete")
    told = [connection.execute(f"PRAGMA {name}").fetchone()[0] for name in names]
    connection.close()
    assert told == ["wal", 2, 1, 1]  # 2 is FULL, as sqlite.org/pragma.html numbers it


def test_migrations_make_the_tables_of_the_code(tmp_path: Path) -> None:
    store = Store(tmp_path / "records.sqlite")
    store.migrate()
    store.migrate()
    with store.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_tables_that_do_not_fit_the_disk_are_not_half_made(tmp_path: Path) -> None:
    """A file of 20 pages stands for a full disk (SQLite's max_page_count)."""
    full = Store(tmp_path / "records.sqlite")
    event.listen(full.engine, "connect", lambda connection, _: connection.execute("PRAGMA max_page_count=20"))
    with pytest.raises(FolderError, match="disk is full"):
        full.migrate()
    full.close()
    roomy = Store(tmp_path / "records.sqlite")
    roomy.migrate()
    with roomy.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


def test_a_session_sees_and_changes_one_studio_only(house: House) -> None:
    mine, theirs = seed(house, "Studio Linde"), seed(house, "Studio Ahorn")
    with house.store.for_studio(mine.studio_id) as records:
        assert records.get(Child, theirs.child_id) is None
        assert {child.studio_id for child in records.scalars(select(Child))} == {mine.studio_id}
        assert records.execute(delete(Child).where(Child.id == theirs.child_id)).rowcount == 0  # type: ignore[attr-defined]
    with pytest.raises(WrongStudio), house.store.for_studio(mine.studio_id) as records:
        records.add(Child(studio_id=theirs.studio_id, nickname="X", created_at=NOW))


def test_photos_are_encrypted_and_bound_to_their_names(tmp_path: Path) -> None:
    folder = PhotoFolder(LocalFolder(tmp_path), Secrets(b"s" * 32))
    folder.put("a1", ORIGINAL, b"a picture of a child")
    assert folder.get("a1", ORIGINAL) == b"a picture of a child"
    file = tmp_path / "a1.original"
    assert b"picture" not in file.read_bytes()
    assert PhotoFolder(LocalFolder(tmp_path), Secrets(b"t" * 32)).get("a1", ORIGINAL) is None
    file.rename(tmp_path / "a1.view")
    assert folder.get("a1", VIEW) is None
    with pytest.raises(ValueError, match="no such photo"):
        folder.get("../a1", ORIGINAL)


def test_a_deleted_child_leaves_no_trace_in_the_files(house: House, tmp_path: Path) -> None:
    seeded = seed(house)
    with house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).nickname = "Quillwort"
        shelf = records.get_one(Instrument, seeded.shelf_id)
        with doing(records, seeded.teacher_id, seeded.studio_id, NOW, "instrument-lent"):
            lend(records, shelf, "Quillwort", NOW.date(), None)
        with doing(records, seeded.teacher_id, seeded.studio_id, NOW, "instrument-returned"):
            take_back(records, shelf, NOW.date())
        lend(records, shelf, "Quillwort", NOW.date(), None)
    files = [tmp_path / name for name in ("records.sqlite", "records.sqlite-wal")]

    def somewhere(text: bytes) -> bool:
        return any(text in file.read_bytes() for file in files if file.exists())

    assert somewhere(b"Quillwort")
    assert erase_child(house.store, house.photos, seeded.studio_id, seeded.child_id)
    assert not somewhere(b"Quillwort")
    assert not somewhere(seeded.child_id.encode())
    with house.store.for_studio(seeded.studio_id) as records:
        assert records.scalars(select(Loan.returned_on)).all() == [None], "what is out is known to be out"
    assert house.photos.get(seeded.arm_upload_id, ORIGINAL) is None
    assert not erase_child(house.store, house.photos, seeded.studio_id, seeded.child_id)


def test_a_deleted_studio_takes_everything_of_its_own_along(house: House) -> None:
    mine, theirs = seed(house, "Studio Linde"), seed(house, "Studio Ahorn")
    erase_studio(house.store, house.photos, mine.studio_id)
    with house.store.whole_house() as records:
        assert {studio.id for studio in records.scalars(select(Studio))} == {theirs.studio_id}
        assert {child.studio_id for child in records.scalars(select(Child))} == {theirs.studio_id}
    assert house.photos.get(mine.arm_upload_id, ORIGINAL) is None
    assert house.photos.get(theirs.arm_upload_id, ORIGINAL) is not None


def test_the_export_holds_inputs_versions_and_no_secrets(house: House) -> None:
    seeded = seed(house)
    with house.store.for_studio(seeded.studio_id) as records:
        child = records.get_one(Child, seeded.child_id)
        lend(records, records.get_one(Instrument, seeded.shelf_id), child.nickname, NOW.date(), None)
        whole = json.loads(json.dumps(child_export(records, child)))
        everything = json.dumps(studio_export(records))
        child.nickname = "=1+1"
        table = child_csv(records, child)
        (arm,) = records.scalars(select(ArmRecord).where(ArmRecord.corrected))
        arm.automatic = arm.automatic | {"without_tape": arm.lengths["arm_length"], "tape_id": "t"}
        with_tape = child_csv(records, child)
    verdict = whole["verdict_record"][0]
    assert verdict["program_version"] == "0.1.0"
    assert verdict["inputs"]["arm"]["lengths"]["arm_length"]["value_mm"] == 433.0
    assert verdict["outcome"]["de"]["headline"] != verdict["outcome"]["en"]["headline"]
    assert "argon2" not in everything
    assert [each["borrower"] for each in whole["loan"]] == ["Mo"], "it would be deleted with the child"
    assert ",arm_length,433.0," in table
    joined = [line.split(",")[3] for each in (table, with_tape) for line in each.splitlines() if "with tape" in line]
    assert joined == ["arm_length"], "the photo's other lengths hold no tape"
    rows = list(csv.DictReader(io.StringIO(table)))
    assert {row["instrument"] for row in rows if row["kind"] == "instrument"} == {"Blue case"}
    assert "'=1+1" in table


def test_what_one_machine_saw_others_know_until_the_photo_goes(tmp_path: Path) -> None:
    one, other = (PhotoFolder(LocalFolder(tmp_path), Secrets(b"s" * 32), is_shared=True) for _ in range(2))
    one.put("a1", ORIGINAL, b"a picture of a child")
    one.share_sight("a1", "the bar is 150 mm", b"seen\nin it")
    assert other.shared_sight("a1", "the bar is 150 mm") == b"seen\nin it"
    assert other.shared_sight("a1", "the bar is 151 mm") is None, "another reading asks for another look"
    assert b"seen" not in (tmp_path / "a1.sight").read_bytes()
    other.delete("a1", ORIGINAL)
    assert [each.name for each in tmp_path.iterdir()] == []
    one.share_sight("a1", "the bar is 150 mm", b"seen after it was deleted")
    assert [each.name for each in tmp_path.iterdir()] == []
    alone = PhotoFolder(LocalFolder(tmp_path), Secrets(b"s" * 32))
    alone.put("a2", ORIGINAL, b"a picture")
    alone.share_sight("a2", "", b"seen")
    assert alone.shared_sight("a2", "") is None, "one machine alone keeps it in memory"


def test_a_photo_that_is_just_being_written_is_no_photo_yet(tmp_path: Path) -> None:
    photos = PhotoFolder(LocalFolder(tmp_path), Secrets(b"s" * 32))
    photos.put("a1", ORIGINAL, b"a photo")
    (tmp_path / "a2.original.01234567.half").write_bytes(b"the beginning of ano")
    assert photos.count_readable() == (1, 0), "or who checks the secret while families send is told of damage"
    assert photos.kept(datetime.now(UTC) + timedelta(days=1)) == {"a1"}
    photos.sweep_halves()
    assert len([*tmp_path.iterdir()]) == 2, "another process may be writing it"
    an_hour_ago = (datetime.now(UTC) - timedelta(minutes=61)).timestamp()
    os.utime(tmp_path / "a2.original.01234567.half", (an_hour_ago, an_hour_ago))
    photos.sweep_halves()
    assert [each.name for each in tmp_path.iterdir()] == ["a1.original"]


def test_any_process_shows_a_refused_photo_for_some_minutes(tmp_path: Path) -> None:
    moment = [datetime.now(UTC)]
    one, other = (
        PhotoFolder(LocalFolder(tmp_path), Secrets(b"s" * 32), is_shared=True, now=lambda: moment[0]) for _ in range(2)
    )
    for upload_id in ("a1", "a2"):
        one.show_refused(upload_id, b"the elbow\nin red")
    assert other.refused_picture("a1") == b"the elbow\nin red"
    assert b"elbow" not in (tmp_path / "a1.refused").read_bytes()
    other.delete("a1")
    assert (one.refused_picture("a1"), one.refused_picture("a2")) == (None, b"the elbow\nin red")
    one.put("a3", ORIGINAL, b"a photo that waits")
    one.forget_refused()
    assert other.refused_picture("a2") is not None
    moment[0] += timedelta(seconds=KEPT_S + 1)
    assert other.refused_picture("a2") is None, "not even before it is deleted"
    one.forget_refused()
    assert [each.name for each in tmp_path.iterdir()] == ["a3.original"]


def test_a_refused_photo_leaves_the_memory_when_its_minutes_are_over_and_nobody_asks(tmp_path: Path) -> None:
    moment = [datetime.now(UTC)]
    photos = PhotoFolder(LocalFolder(tmp_path), Secrets(b"s" * 32), now=lambda: moment[0])
    child, sent_again = bytes(range(200)), bytes(range(100))
    of_nobody = sys.getrefcount(child), sys.getrefcount(sent_again)
    photos.show_refused("a1", child)
    moment[0] += timedelta(seconds=KEPT_S - 1)
    photos.show_refused("a2", sent_again)
    photos.show_refused("a1", child)
    photos.forget_refused()
    assert photos.refused_picture("a1") == child
    moment[0] += timedelta(seconds=KEPT_S)
    photos.forget_refused()
    assert (sys.getrefcount(child), sys.getrefcount(sent_again)) == of_nobody
