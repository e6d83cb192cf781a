"""A database of the first schema, as it was stored then, is brought up to date with every row.

``first_schema.db`` was written with revision 0001 and is never written anew.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from service.records.database import Store
from service.records.tables import AGAIN, OWNER, Child, PhotoRequest, SignIn, Studio, Teacher, Upload
from tests.service.conftest import Place
from tests.service.seeding import PASSWORD

FIRST = Path(__file__).parent / "first_schema.db"
ROWS = ("studio", "teacher", "sign_in", "child", "instrument", "photo_request", "arm_record", "tape_record")
ROWS += ("signs_record", "chart", "upload", "invitation")
CHILD, STUDIO, TEACHER = f"{4:032x}", "a" * 32, f"{1:032x}"


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    return Path(shutil.copy(FIRST, folder / "records.sqlite"))


def rows(file: Path, table: str) -> list[dict[str, object]]:
    with sqlite3.connect(file) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY id")]


def test_it_is_of_the_first_schema() -> None:
    with sqlite3.connect(f"file:{FIRST}?mode=ro", uri=True) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]


def test_every_row_is_kept_with_what_it_said(kept: Path) -> None:
    before = {table: rows(kept, table) for table in ROWS}
    store = Store(kept)
    store.migrate()
    store.close()
    for table in ROWS:
        after = rows(kept, table)
        assert [{name: row[name] for name in old} for old, row in zip(before[table], after, strict=True)] == [
            old | ({"reason": None} if table == "photo_request" else {}) for old in before[table]
        ], table  # why a photo is asked for again stands with the photo since 0007
        assert before[table], table


def test_a_label_goes_to_the_instruments_that_were_sent_with_it(kept: Path) -> None:
    with sqlite3.connect(kept) as connection:
        connection.execute("UPDATE photo_request SET label = '1/8'")
        upload = connection.execute("SELECT id FROM upload WHERE request_id IS NOT NULL ORDER BY id").fetchone()[0]
        connection.execute("UPDATE upload SET kind = 'instrument' WHERE id = ?", (upload,))
    store = Store(kept)
    store.migrate()
    store.close()
    labels = {row["id"]: row["label"] for row in rows(kept, "upload")}
    assert labels.pop(upload) == "1/8"
    assert set(labels.values()) <= {None}


def test_what_came_later_has_a_meaning_for_rows_of_then(kept: Path) -> None:
    store = Store(kept)
    store.migrate()
    with store.whole_house() as session:
        assert session.get_one(Teacher, TEACHER).role == OWNER, "a teacher could do everything then"
        sign_in = session.query(SignIn).one()
        assert sign_in.seen_at == sign_in.created_at
        again = session.query(Upload).filter_by(state=AGAIN).one()
        assert again.again_reason == "light"
        assert session.query(PhotoRequest).one().bar_mm == 150.5
        assert session.get_one(Studio, STUDIO).losses is None
        assert session.get_one(Child, CHILD).nickname == "Mo"
    store.close()


def test_the_pages_show_what_was_kept_then(kept: Path, open_place: Callable[..., Place]) -> None:
    place = open_place(data_folder=kept.parent)
    answer = place.client.post("/sign-in", data={"email": "linde@example.org", "password": PASSWORD})
    assert answer.headers["location"] == "/children"
    shown = place.client.get(f"/children/{CHILD}").text
    assert "Blue case" in shown
    assert "436" in shown
    assert place.client.get("/studio").status_code == 200
    exported = json.loads(place.client.get(f"/children/{CHILD}/export.json").text)
    assert exported["arm_record"][0]["lengths"]["arm_length"]["value_mm"] == 436.0
