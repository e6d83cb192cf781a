"""Backups: one file that holds the records and the sealed photos, and never the secret that opens them.

The file is a tar archive: ``backup.json`` says what it is, ``records.sqlite`` holds every table whatever database they
came from, ``photos/`` the photos as they lie, encrypted.  So it is restored into SQLite or PostgreSQL, into a folder or
an object store, by a program as new or newer.  Numbers and nicknames in it are not encrypted: it is as private as the
data folder.

The photos are copied before and after the records, so that none lacks that the records name; what the records do not
name is left out when it is restored.  The records are held in memory meanwhile and written last: a backup that is
killed leaves sealed photos on the disk and nothing that can be read.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import sqlite3
import tarfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO

from sqlalchemy import Engine, delete, func, select, update

from service.records.columns import Base
from service.records.database import Store
from service.records.folder import FolderError
from service.records.photo_places import PhotoPlace
from service.records.photos import KINDS, ORIGINAL
from service.records.photos import REFUSED as SHOWN_REFUSED
from service.records.tables import (
    ANEW,
    FAILED,
    MEASURED,
    RECEIVED,
    REFUSED,
    SECRET,
    Invitation,
    Mark,
    SignIn,
    Studio,
    Teacher,
    Tries,
    Upload,
)
from service.security import PRIVATE_FILE, PRIVATE_FOLDER

FORM = 1
"""Form of the file; a program reads those up to its own."""
RECORDS, ABOUT, PHOTOS = "records.sqlite", "backup.json", "photos/"
RESTORING = "restoring"
"""Where in the data folder a backup's records lie while it is restored."""
PHOTO = re.compile(rf"{PHOTOS}([0-9a-zA-Z]+)\.({'|'.join(kind for kind in KINDS if kind != SHOWN_REFUSED)})")
"""Photos that a backup holds: all but those that are there for minutes only."""
ROWS_AT_ONCE = 500
LARGEST_PHOTO_BYTES = 256 * 2**20
"""No photo that was accepted is nearly as large; a larger member is no photo of ours."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What a backup holds, or what was restored of it."""

    studios: int
    photos: int


def back_up(store: Store, place: PhotoPlace, file: Path, version: str) -> Kept:
    """Write a backup, whole or not at all; the service may run meanwhile.

    Parameters
    ----------
    store : Store
    place : PhotoPlace
        Where the sealed photos lie.
    file : Path
        A new file, readable by its owner only.
    version : str
        Of the program.

    Raises
    ------
    FolderError
        If there is such a file already, or it cannot be written.
    """
    if file.exists():
        raise FolderError(f"{file} exists already; a backup never replaces another one.")
    half = file.with_name(f"{file.name}.half")
    try:
        handle = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, PRIVATE_FILE)
        with os.fdopen(handle, "wb") as raw:
            with tarfile.open(fileobj=raw, mode="w") as archive:
                copied = _add_photos(archive, place, set())
                records = _snapshot(store)
                copied |= _add_photos(archive, place, copied)
                about = {"form": FORM, "version": version, "at": datetime.now(UTC).isoformat(), "photos": len(copied)}
                _add(archive, ABOUT, json.dumps(about).encode())
                _sync(raw)  # what is readable comes last: where it is killed before, only sealed photos are left
                _add(archive, RECORDS, records)
            _sync(raw)
        half.replace(file)
    except (OSError, sqlite3.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise FolderError(f"Cannot write {file}: {reason}.") from None
    finally:
        half.unlink(missing_ok=True)
    return Kept(_studios(store), len(copied))


def restore(file: Path, store: Store, place: PhotoPlace, folder: Path, mark: str | None) -> Kept:
    """Bring a backup back into a service that holds nothing yet.

    Nobody is signed in afterwards, and invitations that were open are closed: what was ended since the backup must not
    come to life again.

    Parameters
    ----------
    file : Path
    store : Store
        Empty records.
    place : PhotoPlace
        Where photos shall lie.
    folder : Path
        The data folder, for what lies there meanwhile.
    mark : str or None
        Mark of the secret that opens the backup; None where it is lost: then no photo is restored, second factors are
        off, and links are dead.

    Raises
    ------
    FolderError
        If the file is no backup, is damaged, or from a newer program; if there are records already; or if the secret is
        another one.
    """
    with _taken_apart(file, folder) as (archive, snapshot):
        copy = Store(snapshot)
        try:
            copy.migrate()
            _check_mark(copy, mark)
            store.migrate()
            with store.whole_house() as session:
                if session.scalar(select(func.count()).select_from(Studio)):
                    raise FolderError(f"There are records in {store.name} already; restore into an empty one.")
            _end_what_was_open(copy, with_photos=mark is not None)
            photos = _restore_photos(archive, copy, place) if mark is not None else 0
            _copy_rows(copy.engine, store.engine)
        finally:
            copy.close()
    return Kept(_studios(store), photos)


def _add_photos(archive: tarfile.TarFile, place: PhotoPlace, known: set[str]) -> set[str]:
    """Add the photos that are not known yet; their names."""
    added = set()
    for name in sorted(set(place.names(datetime.now(UTC) + timedelta(days=1))) - known):
        sealed = place.get(name) if PHOTO.fullmatch(PHOTOS + name) else None
        if sealed is not None:
            _add(archive, PHOTOS + name, sealed)
            added.add(name)
    return added


def _add(archive: tarfile.TarFile, name: str, content: bytes) -> None:
    member = tarfile.TarInfo(name)
    member.size, member.mode = len(content), PRIVATE_FILE
    archive.addfile(member, io.BytesIO(content))


def _sync(raw: IO[bytes]) -> None:
    raw.flush()
    os.fsync(raw.fileno())


def _snapshot(store: Store) -> bytes:
    """One moment of the records as a file of SQLite; in memory, since a file would outlast a killed backup."""
    if store.is_shared:
        with closing(Store(None)) as copy:
            copy.migrate()
            _copy_rows(store.engine, copy.engine)
            with closing(copy.engine.raw_connection()) as connection:
                copied = connection.driver_connection
                assert isinstance(copied, sqlite3.Connection)
                return copied.serialize()
    with closing(sqlite3.connect(store.name)) as source, closing(sqlite3.connect(":memory:")) as out:
        source.backup(out)
        return out.serialize()


def _copy_rows(source: Engine, target: Engine) -> None:
    """Copy every table, parents first, out of one moment of the source, into one transaction of the target."""
    moment = source.connect().execution_options(isolation_level=_one_moment(source))
    with moment as rows, target.begin() as out:
        for table in Base.metadata.sorted_tables:
            if table.name in (Tries.__tablename__, Mark.__tablename__) and target.dialect.name != "sqlite":
                continue  # counts of the moment; and the target makes a mark of its own secret
            found = rows.execution_options(yield_per=ROWS_AT_ONCE).execute(select(table)).mappings()
            for part in found.partitions(ROWS_AT_ONCE):
                out.execute(table.insert(), [dict(row) for row in part])


def _one_moment(engine: Engine) -> str:
    return "REPEATABLE READ" if engine.dialect.name == "postgresql" else "SERIALIZABLE"


@contextmanager
def _taken_apart(file: Path, folder: Path) -> Iterator[tuple[tarfile.TarFile, Path]]:
    """The archive, and its records as a file beside the data."""
    forget_half_restored(folder)
    beside = folder / RESTORING
    beside.mkdir(mode=PRIVATE_FOLDER)
    snapshot = beside / RECORDS
    try:
        with tarfile.open(file, "r:") as archive:
            about = json.loads(_member(archive, ABOUT).read())
            if about["form"] > FORM:
                raise FolderError(f"{file} was made by a newer version of this program; install that one.")
            with snapshot.open("wb") as out:
                shutil.copyfileobj(_member(archive, RECORDS), out)
            yield archive, snapshot
    except (tarfile.TarError, ValueError, KeyError, TypeError, EOFError):
        raise FolderError(f"{file} is no whole backup of this program.") from None
    finally:
        forget_half_restored(folder)


def forget_half_restored(folder: Path) -> None:
    """Delete the copy of all records that a restoring leaves in the data folder where it is killed."""
    shutil.rmtree(folder / RESTORING, ignore_errors=True)


def _member(archive: tarfile.TarFile, name: str) -> IO[bytes]:
    found = archive.extractfile(name)
    if found is None:
        raise KeyError(name)
    return found


def _restore_photos(archive: tarfile.TarFile, copy: Store, place: PhotoPlace) -> int:
    """Put back the photos that the records name, but no original of one that was refused."""
    with copy.whole_house() as session:
        uploads = dict(session.execute(select(Upload.id, Upload.state)).all())
    count = 0
    for member in archive:
        name = PHOTO.fullmatch(member.name)
        if name is None or not member.isfile() or member.size > LARGEST_PHOTO_BYTES or name[1] not in uploads:
            continue
        if name[2].startswith(ORIGINAL) and uploads[name[1]] == REFUSED:
            continue
        place.put(member.name.removeprefix(PHOTOS), _member(archive, member.name).read())
        count += 1
    return count


def _check_mark(copy: Store, mark: str | None) -> None:
    with copy.whole_house() as session:
        kept = session.get(Mark, SECRET)
        if mark is not None and kept is not None and kept.value != mark:
            raise FolderError("The secret is not the one that this backup was made with: no photo of it can be read.")


def _end_what_was_open(copy: Store, with_photos: bool) -> None:
    now = datetime.now(UTC)
    with copy.whole_house() as session:
        session.execute(delete(SignIn))
        session.execute(delete(Invitation))
        session.execute(delete(Tries))
        if not with_photos:
            session.execute(delete(Mark))
            session.execute(update(Upload).where(Upload.state == RECEIVED).values(state=FAILED))
            session.execute(update(Upload).where(Upload.state == ANEW).values(state=MEASURED))
            session.execute(update(Upload).where(Upload.photos_deleted_at.is_(None)).values(photos_deleted_at=now))
            session.execute(update(Teacher).values(factor_key=None, factor_since=None, factor_step=None))


def _studios(store: Store) -> int:
    with store.whole_house() as session:
        return session.scalar(select(func.count()).select_from(Studio)) or 0
