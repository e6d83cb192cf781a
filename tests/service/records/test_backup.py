"""Backups: restored into an empty folder and into PostgreSQL, with the secret and without; and a changed secret."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tarfile
from base64 import b64decode, b64encode
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import select

from service.records.columns import Base
from service.records.photos import KINDS, ORIGINAL, VIEW
from service.records.photos import REFUSED as SHOWN_REFUSED
from service.records.tables import REFUSED, Invitation, Mark, SignIn, Teacher, Tries, Upload
from service.settings import Settings
from service.web.gate.guard import FAMILY
from service.web.house import House, open_house
from tests.service.cli.command import invoke
from tests.service.conftest import Recorded
from tests.service.seeding import NOW, Seeded, SetClock, seed
from tests.service.serving import serving
from tests.service.shared_places import bucket, postgres

NOT_RESTORED = {table.__tablename__ for table in (SignIn, Invitation, Mark, Tries)}


def opened(folder: Path, **settings: str) -> House:
    return open_house(Settings(data_folder=folder, **settings), Recorded(), SetClock())


@pytest.fixture
def former(tmp_path: Path) -> tuple[House, Seeded]:
    """A service with one of everything, two studios, and a second factor."""
    house = opened(tmp_path / "former")
    seeded = seed(house)
    seed(house, "Studio Ahorn")
    with house.store.for_studio(seeded.studio_id) as records:
        teacher = records.get_one(Teacher, seeded.teacher_id)
        teacher.factor_key = b64encode(house.factor_keys.seal(teacher.id, b"KEY")).decode()
        teacher.factor_since = NOW
    return house, seeded


def command(folder: Path, *words: str, status: int = 0, **environment: str) -> str:
    """Run a command on a data folder; what it said."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {"SCROLLREACH_DATA_FOLDER": str(folder), **environment}.items():
            patch.setenv(name, value)
        done = invoke(list(words))
    assert done.exit_code == status, done.output
    return done.output


def rows(house: House) -> dict[str, list[str]]:
    """Every row but those that a restoring ends."""
    with house.store.whole_house() as session:
        return {
            table.name: sorted(str(dict(row)) for row in session.execute(select(table)).mappings())
            for table in Base.metadata.sorted_tables
            if table.name not in NOT_RESTORED
        }


def photos(house: House, seeded: Seeded) -> dict[tuple[str, str], bytes | None]:
    uploads = (seeded.arm_upload_id, seeded.instrument_upload_id, seeded.refused_upload_id)
    return {(each, kind): house.photos.get(each, kind) for each in uploads for kind in KINDS}


def test_a_backup_comes_back_into_an_empty_folder(former: tuple[House, Seeded], tmp_path: Path) -> None:
    house, seeded = former
    house.photos.put(seeded.refused_upload_id, ORIGINAL, b"left by a crash")
    house.photos.put("f" * 32, VIEW, b"belongs to nothing")
    house.photos.put(seeded.refused_upload_id, SHOWN_REFUSED, b"there for minutes only")
    file, secret = tmp_path / "backup.tar", tmp_path / "the-secret"
    said = command(tmp_path / "former", "backup", str(file), "--secret-to", str(secret))
    assert "studios 2" in said
    assert "together they open every photo" in said
    assert [oct(each.stat().st_mode & 0o777) for each in (file, secret)] == ["0o600", "0o600"]
    said = command(tmp_path / "new", "restore", str(file), "--secret", str(secret))
    assert "studios 2" in said
    again = opened(tmp_path / "new")
    assert rows(again) == rows(house)
    left_out = {(seeded.refused_upload_id, kind): None for kind in (ORIGINAL, SHOWN_REFUSED)}
    expected = photos(house, seeded) | left_out
    assert photos(again, seeded) == expected
    assert sum(content is not None for content in expected.values()) >= 4
    assert again.photos.get("f" * 32, VIEW) is None
    assert again.signer.read(FAMILY, seeded.family) == seeded.request_id, "links go on opening"
    with again.store.whole_house() as session:
        assert session.scalars(select(SignIn)).all() == [], "sessions that ended since must not live again"
        teacher = session.get_one(Teacher, seeded.teacher_id)
        assert teacher.factor_key is not None


def test_a_backup_holds_no_secret(former: tuple[House, Seeded], tmp_path: Path) -> None:
    file = tmp_path / "backup.tar"
    said = command(tmp_path / "former", "backup", str(file))
    assert "The secret is NOT in it" in said
    secret = (tmp_path / "former" / "secret").read_bytes()
    content = file.read_bytes()
    assert secret not in content
    assert secret.hex().encode() not in content
    with tarfile.open(file) as archive:
        assert not [name for name in archive.getnames() if "secret" in name]


def test_a_backup_of_sqlite_comes_back_into_postgresql_and_from_there(
    former: tuple[House, Seeded], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house, seeded = former
    first, second = tmp_path / "first.tar", tmp_path / "second.tar"
    secret = str(tmp_path / "former" / "secret")
    command(tmp_path / "former", "backup", str(first))
    with postgres() as database, bucket() as (address, said):
        for name, value in said.items():
            monkeypatch.setenv(name, value)
        places = {"SCROLLREACH_DATABASE_URL": database, "SCROLLREACH_PHOTOS_URL": address}
        command(tmp_path / "machine", "restore", str(first), "--secret", secret, **places)
        shared = opened(tmp_path / "machine", database_url=database, photos_url=address)
        assert rows(shared) == rows(house)
        assert photos(shared, seeded) == photos(house, seeded)
        refused = command(tmp_path / "machine", "restore", str(first), status=2, **places)
        assert "There are records" in refused
        command(tmp_path / "machine", "backup", str(second), **places)
        shared.store.close()
    command(tmp_path / "back", "restore", str(second), "--secret", secret)
    back = opened(tmp_path / "back")
    assert rows(back) == rows(house)
    assert photos(back, seeded) == photos(house, seeded)


def test_without_the_secret_the_numbers_come_back_and_nothing_else(
    former: tuple[House, Seeded], tmp_path: Path
) -> None:
    house, seeded = former
    file = tmp_path / "backup.tar"
    command(tmp_path / "former", "backup", str(file))
    asked = command(tmp_path / "new", "restore", str(file), status=2)
    assert "--new-secret" in asked
    command(tmp_path / "new", "restore", str(file), "--new-secret")
    again = opened(tmp_path / "new")
    assert rows(again)["arm_record"] == rows(house)["arm_record"] != []
    assert set(photos(again, seeded).values()) == {None}
    assert again.signer.read(FAMILY, seeded.family) is None
    with again.store.whole_house() as session:
        assert session.get_one(Teacher, seeded.teacher_id).factor_since is None, "its key cannot be read any more"
        assert all(upload.photos_deleted_at for upload in session.scalars(select(Upload)))
        assert session.scalars(select(Upload).where(Upload.state == REFUSED)).all()


def test_what_cannot_be_restored_is_said_and_leaves_nothing(former: tuple[House, Seeded], tmp_path: Path) -> None:
    file, other = tmp_path / "backup.tar", tmp_path / "other-secret"
    command(tmp_path / "former", "backup", str(file))
    assert "exists already" in command(tmp_path / "former", "backup", str(file), status=2)
    other.write_bytes(os.urandom(32))
    said = command(tmp_path / "a", "restore", str(file), "--secret", str(other), status=2)
    assert "The secret is not the one that this backup was made with" in said
    said = command(tmp_path / "a", "restore", str(file), "--secret", str(file), status=2)
    assert "backup.tar holds no secret" in said
    secret = str(tmp_path / "former" / "secret")
    assert not (tmp_path / "a" / "secret").exists()
    assert "Restored" in command(tmp_path / "a", "restore", str(file), "--secret", secret), "another try finds it empty"
    said = command(tmp_path / "a", "restore", str(file), "--secret", secret, status=2)
    assert "There are records" in said
    assert (tmp_path / "a" / "secret").exists(), "it is that of these records"
    whole = file.read_bytes()
    for name, content in (("half", whole[: len(whole) // 2]), ("noise", os.urandom(5000)), ("empty", b"")):
        broken = tmp_path / f"{name}.tar"
        broken.write_bytes(content)
        said = command(tmp_path / name, "restore", str(broken), "--secret", secret, status=2)
        assert "backup" in said, name
        assert "Traceback" not in said
        assert not list((tmp_path / name).glob("photos/*.view")), name
    assert "There is no service" in command(tmp_path / "nowhere", "backup", str(tmp_path / "x.tar"), status=2)


def test_what_a_killed_restoring_left_goes_with_the_next_one_or_the_next_start(
    former: tuple[House, Seeded], tmp_path: Path
) -> None:
    house, _ = former
    file, folder = tmp_path / "backup.tar", tmp_path / "new"
    command(tmp_path / "former", "backup", str(file))
    house.store.close()
    left = folder / "restoring"

    def be_killed() -> None:
        left.mkdir(parents=True)
        (left / "records.sqlite").write_bytes(b"all records of the backup")

    be_killed()
    command(folder, "restore", str(file), "--secret", str(tmp_path / "former" / "secret"))
    assert not left.exists()
    be_killed()
    with serving(folder, pool=Recorded()):
        assert not left.exists()


KILLED = """
import os, signal
from service.cli.entry import main
signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever runs in the background ignores it else
os.fsync = lambda _: os.kill(os.getpid(), signal.{by})
main()
"""


@pytest.mark.parametrize(("by", "left"), [("SIGKILL", ["backup.tar.half"]), ("SIGINT", [])])
def test_a_backup_that_is_cut_off_leaves_nothing_readable(
    former: tuple[House, Seeded], tmp_path: Path, by: str, left: list[str]
) -> None:
    beside = tmp_path / "beside"
    beside.mkdir()
    subprocess.run(
        [sys.executable, "-c", KILLED.format(by=by), "backup", str(beside / "backup.tar")],
        env=os.environ | {"SCROLLREACH_DATA_FOLDER": str(tmp_path / "former")},
        check=False,
    )
    assert [each.name for each in beside.iterdir()] == left
    for half in beside.iterdir():
        assert b"photos/" in half.read_bytes(), "the kill came after the photos"
        assert b"Blue case" not in half.read_bytes(), "an instrument of the records"
    command(tmp_path / "former", "backup", str(beside / "backup.tar"))
    assert [each.name for each in beside.iterdir()] == ["backup.tar"], "the next one takes the place of what was left"
    with tarfile.open(beside / "backup.tar") as whole:
        assert "records.sqlite" in whole.getnames()


def test_a_backup_that_does_not_fit_is_said_and_leaves_nothing(
    former: tuple[House, Seeded], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("service.records.backup._snapshot", full)
    said = command(tmp_path / "former", "backup", str(tmp_path / "backup.tar"), status=2)
    assert "backup.tar: database or disk is full" in said
    assert [each.name for each in tmp_path.iterdir() if "backup" in each.name] == []


def test_a_hostile_archive_writes_nothing_outside(former: tuple[House, Seeded], tmp_path: Path) -> None:
    file, hostile = tmp_path / "backup.tar", tmp_path / "hostile.tar"
    command(tmp_path / "former", "backup", str(file))
    with tarfile.open(file) as archive, tarfile.open(hostile, "w") as out:
        for member in archive:
            out.addfile(member, archive.extractfile(member))
        for name in ("photos/../../outside.view", "/outside", "photos/" + "a" * 32 + ".other"):
            out.addfile(tarfile.TarInfo(name))
        link = tarfile.TarInfo("photos/" + "b" * 32 + ".view")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/hostname"
        out.addfile(link)
    before = {each.name for each in tmp_path.iterdir()}
    command(tmp_path / "new", "restore", str(hostile), "--secret", str(tmp_path / "former" / "secret"))
    assert {each.name for each in tmp_path.iterdir()} - before == {"new"}
    assert not [each for each in (tmp_path / "new" / "photos").iterdir() if each.is_symlink()]


def test_a_changed_secret_seals_anew_and_links_open_for_their_days(
    former: tuple[House, Seeded], tmp_path: Path
) -> None:
    house, seeded = former
    folder = tmp_path / "former"
    before, shown, sealed = (folder / "secret").read_bytes(), photos(house, seeded), stored(folder)
    said = command(folder, "secret", "rotate", "--links-days", "30")
    assert "second factors: 1" in said
    assert (folder / "secret").read_bytes() != before
    assert all(stored(folder)[name] != content for name, content in sealed.items())
    clock = SetClock(NOW.combine(date.today(), NOW.timetz()))
    with_both = open_house(Settings(data_folder=folder), Recorded(), clock)
    assert photos(with_both, seeded) == shown
    assert with_both.signer.read(FAMILY, seeded.family) == seeded.request_id
    with with_both.store.whole_house() as session:
        teacher = session.get_one(Teacher, seeded.teacher_id)
        assert with_both.factor_keys.is_present(teacher.id, b64decode(teacher.factor_key or ""))
    clock.forward(days=31)
    after = open_house(Settings(data_folder=folder), Recorded(), clock)
    assert photos(after, seeded) == shown, "photos do not need the former secret any more"
    assert after.signer.read(FAMILY, seeded.family) is None
    assert "does not open: 0" in command(folder, "secret", "check")


def test_a_leaked_secret_ends_every_link_at_once(former: tuple[House, Seeded], tmp_path: Path) -> None:
    house, seeded = former
    shown = photos(house, seeded)
    command(tmp_path / "former", "secret", "rotate", "--links-days", "0")
    after = opened(tmp_path / "former")
    assert photos(after, seeded) == shown
    assert after.signer.read(FAMILY, seeded.family) is None
    assert not (tmp_path / "former" / "former-secret").exists()


@pytest.mark.parametrize("cut_at", ["after the new secret", "halfway through the photos"])
def test_a_rotation_that_was_cut_off_loses_nothing(
    former: tuple[House, Seeded], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut_at: str
) -> None:
    from service.records import rotating
    from service.records.photos import PhotoFolder

    house, seeded = former
    shown, put, count = photos(house, seeded), PhotoFolder.reseal, 0

    def cut(self: PhotoFolder) -> tuple[int, int]:
        nonlocal count
        count += 1
        if count == 2 and cut_at == "after the new secret":
            raise KeyboardInterrupt
        if count == 2:
            names = iter(sorted((tmp_path / "former" / "photos").iterdir()))
            for file in list(names)[::2]:
                content = self._sealer.open(file.name, file.read_bytes())
                assert content is not None
                file.write_bytes(self._sealer.seal(file.name, content))
            raise KeyboardInterrupt
        return put(self)

    monkeypatch.setattr(PhotoFolder, "reseal", cut)
    today = date.today()
    settings = house.settings
    from service.web.house import photo_place

    with pytest.raises(KeyboardInterrupt):
        rotating.rotate(settings.secret_file, house.store, photo_place(settings), today, 60)
    monkeypatch.undo()
    clock = SetClock(NOW.combine(today, NOW.timetz()))
    assert photos(open_house(settings, Recorded(), clock), seeded) == shown
    for _ in range(2):
        rotating.rotate(settings.secret_file, house.store, photo_place(settings), today, 60)
        assert photos(open_house(settings, Recorded(), clock), seeded) == shown


def test_the_secret_is_not_changed_under_a_running_service(former: tuple[House, Seeded], tmp_path: Path) -> None:
    house, _ = former
    with house.store.nobody_serves(tmp_path / "former"):
        assert "stop it first" in command(tmp_path / "former", "secret", "rotate", status=2)


def stored(folder: Path) -> dict[str, bytes]:
    return {each.name: each.read_bytes() for each in (folder / "photos").iterdir()}
